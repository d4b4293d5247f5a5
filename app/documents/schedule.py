"""The keying schedule for installers, door by door and by keyset: never a bitting, because the view has none."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from app.documents.render import LANDSCAPE, PaperHead, job_head, pdf
from app.ledger.jobs.schedule import Schedule, ScheduleKeyset, ScheduleRow

MOST_OPENINGS = 24  # a keyset's list of doors stays readable; the table by door has them all


@dataclass(frozen=True, slots=True)
class ScheduleLine:
    """One cylinder at its door. `marks`: the cautions that apply, "C1 C3"."""

    opening_number: str
    location: str
    hand: str
    lock: str
    position: str
    words: str
    part_number: str
    keyset: str
    operated_by: str
    keys: str
    remarks: str
    marks: str


@dataclass(frozen=True, slots=True)
class KeysetLine:
    """One keyset: its cylinders, its keys and where they are."""

    symbol: str
    level: str
    purpose: str
    cylinders: int
    keys: int
    openings: str


@dataclass(frozen=True, slots=True)
class SchedulePage:
    """A job's keying schedule as printed. cautions: (mark, sentence); kinds: (part number, what it is in words)."""

    head: PaperHead
    title: str
    customer_name: str
    site_name: str
    site_address: str
    system_name: str
    keyed_at: str
    promised_on: date | None
    lines: tuple[ScheduleLine, ...]
    keysets: tuple[KeysetLine, ...]
    cautions: tuple[tuple[str, str], ...]
    kinds: tuple[tuple[str, str], ...]
    doors: int
    cylinders: int
    keys: int


def bare_symbol(keyset: str) -> str:
    """The symbol without the trade's marks around it: X before (cross-keyed), (NMK) after.

    >>> bare_symbol("XAA1"), bare_symbol("AA4 (NMK)")
    ('AA1', 'AA4')
    """
    # X is no letter of a key symbol (it reads as a mark), so one in front is always the mark.
    return keyset.removesuffix("(NMK)").strip().removeprefix("X")


def schedule_page(schedule: Schedule) -> SchedulePage:
    """What the installer's schedule says."""
    sentences = dict.fromkeys(sentence for row in schedule.rows for sentence in row.cautions)
    marks = {sentence: f"C{number}" for number, sentence in enumerate(sentences, start=1)}
    by_symbol = {bare_symbol(keyset.symbol): keyset for keyset in schedule.keysets}
    openings: dict[str, list[str]] = {}
    for row in schedule.rows:
        openings.setdefault(bare_symbol(row.keyset), []).append(row.opening_number)
    return SchedulePage(
        head=job_head(schedule.house, "Keying schedule", schedule.job_number, schedule.revision, schedule.issued_on),
        title=schedule.title,
        customer_name=schedule.customer_name,
        site_name=schedule.site_name,
        site_address=schedule.site_address,
        system_name=schedule.system_name,
        keyed_at=schedule.keyed_at,
        promised_on=schedule.promised_on,
        lines=tuple(_line(row, by_symbol, marks) for row in schedule.rows),
        keysets=tuple(_keyset(keyset, openings) for keyset in schedule.keysets),
        cautions=tuple((mark, sentence) for sentence, mark in marks.items()),
        kinds=tuple(dict.fromkeys((row.part_number, row.words) for row in schedule.rows if row.part_number)),
        doors=len({row.opening_number for row in schedule.rows if row.opening_number}),
        cylinders=len(schedule.rows),
        keys=sum(keyset.keys for keyset in schedule.keysets),
    )


def _line(row: ScheduleRow, by_symbol: dict[str, ScheduleKeyset], marks: dict[str, str]) -> ScheduleLine:
    return ScheduleLine(
        opening_number=row.opening_number,
        location=row.location,
        hand=row.hand,
        lock=row.lock,
        position=row.position,
        words=row.words,
        part_number=row.part_number,
        keyset=row.keyset,
        operated_by=", ".join(row.operated_by),
        keys=keys_words(by_symbol.get(bare_symbol(row.keyset))),
        remarks=row.remarks,
        marks=" ".join(marks[sentence] for sentence in row.cautions),
    )


def keys_words(keyset: ScheduleKeyset | None) -> str:
    """How many keys come with a cylinder's keyset, so that nobody adds up a shared set door by door.

    >>> keys_words(ScheduleKeyset("AA1", "change", "", cylinders=1, keys=2))
    '2'
    >>> keys_words(ScheduleKeyset("AA2", "change", "", cylinders=2, keys=4))
    '4 for all 2'
    """
    if keyset is None:
        return ""
    return str(keyset.keys) if keyset.cylinders <= 1 else f"{keyset.keys} for all {keyset.cylinders}"


def _keyset(keyset: ScheduleKeyset, openings: dict[str, list[str]]) -> KeysetLine:
    doors = list(dict.fromkeys(number for number in openings.get(bare_symbol(keyset.symbol), []) if number))
    more = len(doors) - MOST_OPENINGS
    listed = ", ".join(doors[:MOST_OPENINGS]) + (f" and {more} more" if more > 0 else "")
    return KeysetLine(keyset.symbol, keyset.level, keyset.purpose, keyset.cylinders, keyset.keys, listed)


def schedule_pdf(schedule: Schedule) -> bytes:
    """The keying schedule as PDF, landscape, on the house's paper."""
    return pdf("schedule.html", schedule_page(schedule), schedule.house.paper, LANDSCAPE)
