"""The keying schedule for installers, by door and by keyset, on paper and as a table: never a bitting, since neither
the views nor what they are made from has one."""

from __future__ import annotations

from dataclasses import dataclass

from app.documents.render import LANDSCAPE, PaperHead, first_of, job_head, pdf
from app.documents.spreadsheet import csv_bytes, xlsx_bytes
from app.ledger.jobs.schedule import Schedule, ScheduleKeyset, ScheduleRow
from app.spreadsheets import Cell

MOST_OPENINGS = 24  # a keyset's list of doors stays readable; the table by door has them all
SCHEDULE_HEADINGS = (
    "Opening", "Location", "Hand", "Lock", "Position", "Cylinder", "Part number", "Keyset", "Operated by", "Keys",
    "Remarks", "Cautions",
)  # fmt: skip
_KEYSET_HEADINGS = ("Keyset", "Level", "For", "Cylinders", "Keys", "At openings")


@dataclass(frozen=True, slots=True)
class ScheduleLine:
    """One cylinder at its door. keys: in words; marks: the cautions that apply, "C1 C3"."""

    row: ScheduleRow
    keys: str
    marks: str


@dataclass(frozen=True, slots=True)
class KeysetOpenings:
    """One keyset and the openings that it is at, in words."""

    keyset: ScheduleKeyset
    openings: str


@dataclass(frozen=True, slots=True)
class SchedulePage:
    """A job's keying schedule as printed. cautions: (mark, sentence); kinds: (part number, what it is in words)."""

    head: PaperHead
    schedule: Schedule
    lines: tuple[ScheduleLine, ...]
    keysets: tuple[KeysetOpenings, ...]
    cautions: tuple[tuple[str, str], ...]
    kinds: tuple[tuple[str, str], ...]
    doors: int
    keys: int


@dataclass(frozen=True, slots=True)
class MasterRow:
    """A keyset of the job with no cylinder of its own, and how many of the job's cylinders its keys open."""

    keyset: ScheduleKeyset
    opens: int


@dataclass(frozen=True, slots=True)
class KeysetRow:
    """One cylinder under its keyset; `keyset` stands at its first cylinder alone, so that its keys are told once."""

    row: ScheduleRow
    is_first: bool
    keyset: ScheduleKeyset | None


@dataclass(frozen=True, slots=True)
class KeysetSchedulePage:
    """The schedule by keyset as printed; cylinders without a keyset stand last."""

    head: PaperHead
    schedule: Schedule
    masters: tuple[MasterRow, ...]
    rows: tuple[KeysetRow, ...]
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
        head=_head(schedule, "Keying schedule"),
        schedule=schedule,
        lines=tuple(
            ScheduleLine(
                row,
                keys_words(by_symbol.get(bare_symbol(row.keyset))),
                " ".join(marks[sentence] for sentence in row.cautions),
            )
            for row in schedule.rows
        ),
        keysets=tuple(_openings(keyset, openings) for keyset in schedule.keysets),
        cautions=tuple((mark, sentence) for sentence, mark in marks.items()),
        kinds=tuple(dict.fromkeys((row.part_number, row.words) for row in schedule.rows if row.part_number)),
        doors=len({row.opening_number for row in schedule.rows if row.opening_number}),
        keys=sum(keyset.keys for keyset in schedule.keysets),
    )


def _head(schedule: Schedule, name: str) -> PaperHead:
    return job_head(schedule.house, name, schedule.job_number, schedule.revision, schedule.issued_on)


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


def _openings(keyset: ScheduleKeyset, openings: dict[str, list[str]]) -> KeysetOpenings:
    doors = list(dict.fromkeys(number for number in openings.get(bare_symbol(keyset.symbol), []) if number))
    return KeysetOpenings(keyset, first_of(doors, MOST_OPENINGS))


def keyset_schedule_page(schedule: Schedule) -> KeysetSchedulePage:
    """What the schedule by keyset says."""
    found: dict[str, list[ScheduleRow]] = {}
    for row in schedule.rows:
        found.setdefault(bare_symbol(row.keyset), []).append(row)
    by_symbol = {keyset.symbol: keyset for keyset in schedule.keysets}
    order = [*by_symbol, *(symbol for symbol in found if symbol not in by_symbol)]
    return KeysetSchedulePage(
        head=_head(schedule, "Schedule by keyset"),
        schedule=schedule,
        masters=tuple(
            MasterRow(keyset, sum(keyset.symbol in row.operated_by for row in schedule.rows))
            for keyset in schedule.keysets
            if keyset.symbol not in found
        ),
        rows=tuple(
            KeysetRow(row, place == 0, by_symbol.get(symbol) if place == 0 else None)
            for symbol in order
            for place, row in enumerate(found.get(symbol, ()))
        ),
        keys=sum(keyset.keys for keyset in schedule.keysets),
    )


def schedule_pdf(schedule: Schedule) -> bytes:
    """The keying schedule by door as PDF, landscape, on the house's paper."""
    return pdf("schedule.html", schedule_page(schedule), schedule.house.paper, LANDSCAPE)


def keyset_schedule_pdf(schedule: Schedule) -> bytes:
    """The schedule by keyset as PDF, on the house's paper."""
    return pdf("keyset_schedule.html", keyset_schedule_page(schedule), schedule.house.paper)


def schedule_csv(schedule: Schedule) -> bytes:
    """One row per cylinder, under SCHEDULE_HEADINGS: the PDF's rows, every caution spelled out."""
    return csv_bytes(SCHEDULE_HEADINGS, _door_rows(schedule_page(schedule)))


def schedule_xlsx(schedule: Schedule) -> bytes:
    """Two sheets: by door as in the CSV, and by keyset."""
    page = schedule_page(schedule)
    keysets = [
        (one.keyset.symbol, one.keyset.level, one.keyset.purpose, one.keyset.cylinders, one.keyset.keys, one.openings)
        for one in page.keysets
    ]
    return xlsx_bytes(
        f"Keying schedule for job {schedule.job_number}",
        schedule.issued_on,
        [("By door", SCHEDULE_HEADINGS, _door_rows(page)), ("By keyset", _KEYSET_HEADINGS, keysets)],
    )


def _door_rows(page: SchedulePage) -> list[tuple[Cell, ...]]:
    return [
        (
            row.opening_number, row.location, row.hand, row.lock, row.position, row.words, row.part_number,
            row.keyset, ", ".join(row.operated_by), line.keys, row.remarks, " ".join(row.cautions),
        )
        for line in page.lines
        for row in [line.row]
    ]  # fmt: skip
