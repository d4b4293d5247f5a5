"""Whether a text holds what may be a payment card's number: such a number is never kept."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator

_MANY = re.compile(r"(?:[0-9][ .\-]?){12,}")
# Groups of digits with a little between them: blanks, dashes, strokes, commas, brackets.
_GROUPED = re.compile(r"[0-9]{3,}(?:[\W_]{1,3}[0-9]{3,})*")
_SHORTEST, _LONGEST = 13, 19


def has_many_digits(text: str) -> bool:
    """Whether a text holds twelve digits or more in a row, or a card's number in groups.

    For the note of a payment, where a long number is more likely a card's than anything else.

    >>> has_many_digits("4000-0000 0000 0000"), has_many_digits("4000 / 0000 / 0000 / 0002")
    (True, True)
    >>> has_many_digits("check 1042"), has_many_digits("checks 1042, 1043, 1044, 1046")
    (False, False)
    """
    return _MANY.search(_plain(text)) is not None or has_card_number(text)


def has_card_number(text: str) -> bool:
    """Whether 13 to 19 digits of a text, alone or in groups, end in the check digit of a card's number.

    The check is that of ISO/IEC 7812-1 (from memory), which one number of ten passes by chance.

    >>> has_card_number("card 4000 0000 0000 0002, thanks"), has_card_number("4000 0000 0000 0003")
    (True, False)
    >>> has_card_number("ring 555-0100 or 555-0101 before 10"), has_card_number("٤٠٠٠٠٠٠٠٠٠٠٠٠٠٠٢")
    (False, True)
    """
    return any(_ends_in_its_check(number) for number in _numbers(_plain(text)))


def _plain(text: str) -> str:
    """Digits of every script as 0 to 9, and nothing that cannot be seen between them."""
    seen = (one for one in unicodedata.normalize("NFKC", text) if unicodedata.category(one) not in ("Cf", "Cc"))
    return "".join(str(unicodedata.decimal(one, one)) for one in seen)


def _numbers(text: str) -> Iterator[str]:
    """Each run of neighbouring groups that is as long as a card's number."""
    for found in _GROUPED.findall(text):
        groups = re.findall("[0-9]+", found)
        for first in range(len(groups)):
            number = ""
            for group in groups[first:]:
                number += group
                if len(number) > _LONGEST:
                    break
                if len(number) >= _SHORTEST:
                    yield number


def _ends_in_its_check(number: str) -> bool:
    doubled = [int(digit) * (2 if place % 2 else 1) for place, digit in enumerate(reversed(number))]
    return sum(one - 9 if one > 9 else one for one in doubled) % 10 == 0
