"""Notes in a job's story: events that stay as they were written, and never hold a payment card's number."""

import re
import unicodedata
from collections.abc import Iterator

from app.ledger.jobs.queries import get_job
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Event, Role

NOTE = "note"
MOST_NOTE = 2_000


def add_note(work: Work, job_number: int, text: str) -> Event:
    """Write a note; NotFound, or LedgerError on `note` when it is empty, too long or holds a card's number.

    Everybody who may open the job reads it, so a bitting never belongs in one; the page says so.
    """
    work.require(Role.COUNTER, Role.BENCH)
    lines = [" ".join(line.split()) for line in text.replace("\r\n", "\n").replace("\r", "\n").split("\n")]
    note = "\n".join(lines).strip()
    if not note:
        raise LedgerError("note", "Write the note first.")
    if len(note) > MOST_NOTE:
        raise LedgerError("note", f"At most {MOST_NOTE:,} characters fit in a note; this has {len(note):,}.")
    if any(not one.isprintable() and one != "\n" for one in note):
        raise LedgerError("note", "The note has characters that cannot be shown; write it in plain text.")
    if has_card_number(note):
        raise LedgerError("note", "This note holds what may be a card's number, which is not kept. Remove it.")
    with transaction(work.session):
        job = get_job(work.session, job_number)
        return record(work, NOTE, f"job {job.number}", note, job_id=job.id)


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
    """Each run of neighboring groups that is as long as a card's number."""
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
