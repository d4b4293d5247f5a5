"""One value at a time: each comes out as the type that was wanted, or as a sentence that says what to do.

Readers of one value name no field, since whoever asks knows where it stands: `Reader` puts the name in front.
"""

import re
from collections.abc import Mapping, Sequence
from datetime import date
from enum import StrEnum
from typing import Any, Self, TypeVar

from app.errors import BitternError, Problem, Problems

FIRST_YEAR, LAST_YEAR = 1970, 2199
"""Days outside are slips of the hand; inside, no sum of working days leaves the calendar."""

MOST_ROWS = 1_000
_LONGEST_QUOTE = 40
_LONGEST_NAME = 60
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")

Word = TypeVar("Word", bound=StrEnum)


class WordedEnum(StrEnum):
    """Words of a form or a file, each with how it is said to a person: `ALL = "all", "all that was ordered"`."""

    words: str

    def __new__(cls, value: str, words: str = "") -> Self:
        member = str.__new__(cls, value)
        member._value_, member.words = value, words
        return member


def quoted(value: object) -> str:
    """The value as a person typed it, cut short, for use in an error's sentence.

    >>> quoted("AQ9")
    "'AQ9'"
    >>> quoted(None), quoted(True), quoted([1])
    ('nothing', 'true', 'a list')
    """
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, Mapping):
        return "an object"
    if isinstance(value, int) and value.bit_length() > 128:
        return "a very large number"
    text = str(value)
    return f"'{_printable(text)}'" if len(text) <= _LONGEST_QUOTE else f"'{_printable(text[:_LONGEST_QUOTE])}…'"


def counted(number: int, noun: str) -> str:
    """How many there are of something whose plural takes an s.

    >>> counted(1, "door"), counted(1200, "door")
    ('1 door', '1,200 doors')
    """
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def first_of(names: Sequence[str], most: int, comma: str = ", ") -> str:
    """At most `most` of the names, and how many more there are.

    >>> first_of(["101", "102", "103"], 2)
    '101, 102 and 1 more'
    """
    more = len(names) - most
    return comma.join(names[:most]) + (f" and {more:,} more" if more > 0 else "")


def _not(value: object) -> str:
    """What was given instead, to end a sentence with; "" where there was nothing."""
    return "" if value in (None, "") else f", not {quoted(value)}"


def short_name(text: str) -> str:
    """A name cut to a length that fits an error's field, with ? for what cannot be printed."""
    return _printable(text if len(text) <= _LONGEST_NAME else text[: _LONGEST_NAME - 1] + "…")


def _printable(text: str) -> str:
    return "".join(character if character.isprintable() else "?" for character in text)


def length_limit(most: int) -> str:
    """What a page says of a text that is too long for its place.

    >>> length_limit(2000)
    'At most 2,000 characters fit here.'
    """
    return f"At most {most:,} characters fit here."


def fault_of_length(text: str, most: int) -> str:
    """The same of a text that somebody gave, with how long it is; "" where it fits.

    >>> fault_of_length("Harbourmaster", 12)
    'At most 12 characters fit here; this has 13.'
    """
    return "" if len(text) <= most else f"{length_limit(most)[:-1]}; this has {len(text):,}."


def check_length(text: str, most: int, field: str = "") -> None:
    """Raise `BitternError` for `field` where the text has more than `most` characters."""
    if fault := fault_of_length(text, most):
        raise BitternError(field, fault)


def check_lengths(form: object, limits: Mapping[str, int]) -> None:
    """Raise `Problems` for every text of a form that is longer than its limit; `limits` names its attributes."""
    problems = [
        Problem(field, fault)
        for field, most in limits.items()
        if (fault := fault_of_length(getattr(form, field), most))
    ]
    if problems:
        raise Problems(problems)


def read_whole(value: Any, low: int, high: int) -> int:
    """A JSON whole number from `low` to `high`; true and 2.0 are not whole numbers."""
    if type(value) is not int or not low <= value <= high:
        raise BitternError("", f"Enter a whole number from {low:,} to {high:,}{_not(value)}.")
    return value


def read_typed_whole(value: Any, low: int, high: int) -> int:
    """A whole number from `low` to `high`, as a number or as its digits in text."""
    if isinstance(value, str) and value.strip().isascii() and value.strip().isdigit() and len(value) <= 12:
        value = int(value)
    return read_whole(value, low, high)


def read_text(value: Any, most: int = 200) -> str:
    """Text of 1 to `most` characters on one line, outer spaces dropped."""
    text = value.strip() if isinstance(value, str) else ""
    if not text:
        raise BitternError("", f"Enter text here, at most {most:,} characters on one line{_not(value)}.")
    check_length(text, most)
    if not text.isprintable():
        raise BitternError("", "This text holds a character that cannot be printed. Remove it.")
    return text


def read_day(value: Any) -> date:
    """A calendar day written as 2026-03-02."""
    try:
        if isinstance(value, str) and _DAY.fullmatch(value):
            day = date.fromisoformat(value)
            if FIRST_YEAR <= day.year <= LAST_YEAR:
                return day
    except ValueError:
        pass
    raise BitternError("", f"Enter a day as 2026-03-02, between the years {FIRST_YEAR} and {LAST_YEAR}.")


def read_flag(value: Any) -> bool:
    """True or false."""
    if not isinstance(value, bool):
        raise BitternError("", f"Enter true or false{_not(value)}.")
    return value


def read_word(value: Any, words: type[Word]) -> Word:
    """The word of an enumeration that is written so."""
    for word in words:
        if isinstance(value, str) and word.value == value:
            return word
    if value is None:
        raise BitternError("", f"Enter one of {', '.join(words)}.")
    raise BitternError("", f"{quoted(value)} is not one of {', '.join(words)}.")


def read_list(value: Any, most: int = MOST_ROWS) -> list[Any]:
    """A list of at most `most` entries."""
    if not isinstance(value, list):
        raise BitternError("", f"Give a list here{_not(value)}.")
    if len(value) > most:
        raise BitternError("", f"This list has {len(value):,} entries; {most:,} is the most.")
    return value


def read_object(value: Any, most: int | None = None) -> dict[str, Any]:
    """A JSON object, whatever its fields are called, of at most `most` fields."""
    if not isinstance(value, dict):
        raise BitternError("", f"Give an object with named values here{_not(value)}.")
    if most is not None and len(value) > most:
        raise BitternError("", f"This object has {len(value):,} fields; {most:,} is the most.")
    return value
