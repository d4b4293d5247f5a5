"""The keying schedule for installers, by door and by keyset, on paper and as a table: never a bitting, since neither
the views nor what they are made from has one."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from app.documents.render import LANDSCAPE, PaperHead, pdf
from app.documents.spreadsheet import PaperTable
from app.ledger.jobs.cylinder_lines import ScheduleKeyset, ScheduleRow
from app.ledger.jobs.papers import Schedule
from app.validation import first_of

_MOST_OPENINGS = 24  # a keyset's list of doors stays readable; the table by door has them all
SCHEDULE_HEADINGS = (
    "Opening", "Location", "Hand", "Lock", "Position", "Cylinder", "Part number", "Keyset", "Operated by", "Keys",
    "Remarks", "Cautions", "Changed", "Until handed over",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class ScheduleLine:
    """One cylinder at its door. keys: in words; marks: the cautions that apply, "C1 C3"; changed: how it differs from
    the revision before. site: what the contractors' key turns there until the building is handed over, "CMK", or
    "CMK core" where a construction core hangs in its place.
    """

    row: ScheduleRow
    keys: str
    marks: str
    changed: str = ""
    site: str = ""


@dataclass(frozen=True, slots=True)
class SchedulePage:
    """A job's keying schedule as printed. keysets: each with the openings that it is at, in words; cautions: (mark,
    sentence); kinds: (part number, what it is in words).
    """

    schedule: Schedule
    lines: tuple[ScheduleLine, ...]
    keysets: tuple[tuple[ScheduleKeyset, str], ...]
    cautions: tuple[tuple[str, str], ...]
    kinds: tuple[tuple[str, str], ...]
    doors: int
    cores: int  # construction cores, each told at the door where it hangs
    changes: tuple[tuple[str, str], ...]  # (opening, how it differs from the revision before)


def bare_symbol(keyset: str) -> str:
    """The symbol without the trade's marks around it: X before (cross-keyed), (NMK) and a selective master after.

    >>> bare_symbol("XAA1"), bare_symbol("AA4 (NMK)"), bare_symbol("XAA1(NMK)(ENG)")
    ('AA1', 'AA4', 'AA1')
    """
    # X is no letter of a key symbol (it reads as a mark), so one in front is always the mark.
    return keyset.partition("(")[0].strip().removeprefix("X")


def schedule_page(schedule: Schedule) -> SchedulePage:
    """What the installer's schedule says."""
    sentences = dict.fromkeys(sentence for row in schedule.rows for sentence in row.cautions)
    marks = {sentence: f"C{number}" for number, sentence in enumerate(sentences, start=1)}
    by_symbol = {(keyset.system, bare_symbol(keyset.symbol)): keyset for keyset in schedule.keysets}
    openings: dict[tuple[str, str], dict[str, None]] = {}
    for row in schedule.rows:
        if row.opening_number:
            openings.setdefault((row.system, bare_symbol(row.keyset)), {})[row.opening_number] = None
    return SchedulePage(
        schedule=schedule,
        lines=tuple(
            ScheduleLine(
                row,
                keys_words(by_symbol.get((row.system, bare_symbol(row.keyset)))),
                " ".join(marks[sentence] for sentence in row.cautions),
                schedule.changed.get(row.cylinder_id) or (schedule.changed.get(core.cylinder_id, "") if core else ""),
                f"{core.construction} core" if core else row.construction,
            )
            for row, core in _by_door(schedule.rows)
        ),
        keysets=tuple(
            (keyset, first_of(list(openings.get((keyset.system, bare_symbol(keyset.symbol)), ())), _MOST_OPENINGS))
            for keyset in schedule.keysets
        ),
        cautions=tuple((mark, sentence) for sentence, mark in marks.items()),
        kinds=tuple(dict.fromkeys((row.part_number, row.words) for row in schedule.rows if row.part_number)),
        doors=len({row.opening_number for row in schedule.rows if row.opening_number}),
        cores=sum(row.is_lent for row in schedule.rows),
        changes=changes_of(schedule),
    )


def _by_door(rows: Sequence[ScheduleRow]) -> list[tuple[ScheduleRow, ScheduleRow | None]]:
    """Each cylinder with the construction core that hangs in its place; last, cores of whose door nothing else is."""
    lent: dict[tuple[str, str], list[ScheduleRow]] = defaultdict(list)
    for row in rows:
        if row.is_lent:
            lent[row.opening_number, row.position].append(row)
    found: list[tuple[ScheduleRow, ScheduleRow | None]] = []
    for row in rows:
        if not row.is_lent:
            there = lent[row.opening_number, row.position]
            found.append((row, there.pop(0) if there else None))
    return [*found, *((core, None) for cores in lent.values() for core in cores)]


def changes_of(schedule: Schedule) -> tuple[tuple[str, str], ...]:
    """What differs from the revision before, each with its opening."""
    rows = [row for row in schedule.rows if row.cylinder_id in schedule.changed]
    # A door's construction core moves with it: that is told once.
    changed = dict.fromkeys((row.opening_number or "no door", schedule.changed[row.cylinder_id]) for row in rows)
    return (*changed, *(("", words) for words in schedule.also_changed))


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


def schedule_pdf(schedule: Schedule) -> bytes:
    """The keying schedule by door as PDF, landscape, on the house's paper."""
    head = PaperHead.of_job(schedule.head, "Keying schedule")
    return pdf("schedule.html", head, LANDSCAPE, job=schedule.head, page=schedule_page(schedule))


def keyset_schedule_pdf(schedule: Schedule) -> bytes:
    """The schedule by keyset as PDF, on the house's paper; cylinders without a keyset stand last."""
    found: dict[tuple[str, str], list[ScheduleRow]] = {}
    for row in schedule.rows:
        if not row.is_lent:  # those are all alike, and go again: how many there are is enough
            found.setdefault((row.system, bare_symbol(row.keyset)), []).append(row)
    by_symbol = {(keyset.system, keyset.symbol): keyset for keyset in schedule.keysets}
    order = [*by_symbol, *(symbol for symbol in found if symbol not in by_symbol)]
    return pdf(
        "keyset_schedule.html",
        PaperHead.of_job(schedule.head, "Schedule by keyset"),
        job=schedule.head,
        schedule=schedule,
        changes=changes_of(schedule),
        # Each keyset with no cylinder of its own, and how many of the job's cylinders its keys open.
        masters=[
            (keyset, sum(keyset.symbol in row.operated_by for row in schedule.rows if row.system == keyset.system))
            for keyset in schedule.keysets
            if (keyset.system, keyset.symbol) not in found
        ],
        groups=[(by_symbol.get(symbol), found[symbol]) for symbol in order if symbol in found],
    )


def schedule_table(schedule: Schedule) -> PaperTable:
    """Two sheets: by door as in the PDF, every caution spelled out, and by keyset."""
    page = schedule_page(schedule)
    doors = [
        (
            row.opening_number, row.location, row.hand, row.lock, row.position, row.words, row.part_number,
            row.keyset, ", ".join(row.operated_by), line.keys, row.remarks, " ".join(row.cautions),
            line.changed, line.site,
        )
        for line in page.lines
        for row in [line.row]
    ]  # fmt: skip
    keysets = [
        (keyset.symbol, keyset.level, keyset.purpose, keyset.cylinders, keyset.keys, openings)
        for keyset, openings in page.keysets
    ]
    headings = ("Keyset", "Level", "For", "Cylinders", "Keys", "At openings")
    return PaperTable(
        f"Keying schedule for job {schedule.head.job_number}",
        schedule.head.issued_on,
        (("By door", SCHEDULE_HEADINGS, doors), ("By keyset", headings, keysets)),
    )
