"""A job at the bench as its pages show it: racks of cylinders with their ticks, its keys, pins once they are open."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import groupby

from app.documents import CylinderCard, SystemSheet, system_sheet
from app.ledger.bench.bench_queries import BENCH_STAGES
from app.ledger.bench.bench_sheet import Rack, bench_work, blanks_in_words, racks_of
from app.ledger.bench.checkoff import CUT_IN
from app.ledger.bench.pins import pin_words, short_of_pins
from app.ledger.jobs.cylinder_lines import JobCylinders, PlainRow, ScheduleRow, cautions_by_door, job_cylinders
from app.ledger.jobs.queries import days_late, get_job, job_money
from app.ledger.jobs.stages import BEFORE_BENCH, next_stages
from app.ledger.keys.key_queries import KeysetCopies, keys_of_job
from app.ledger.keysystems.keysets import waiting_keys
from app.ledger.keysystems.lost_keysets import lost_for_job
from app.ledger.keysystems.ticks import CheckOff, checked_off
from app.ledger.quoting.factory_keyed import sent_keysets
from app.ledger.quoting.key_lines import own_copies
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import CylinderState, Job, Keyset, KeyState, Stage
from app.web.services import current_work


@dataclass(frozen=True, slots=True)
class TickLine:
    """One keyed cylinder with its tick. Never a bitting."""

    row: ScheduleRow
    state: CylinderState
    off: CheckOff
    is_short: bool = False  # of a pin, as the shelf is

    @property
    def is_pinned(self) -> bool:
        """Pinned, whether checked already or not."""
        return self.state is not CylinderState.ORDERED

    @property
    def is_checked(self) -> bool:
        """Checked, and so through the bench."""
        return self.state not in (CylinderState.ORDERED, CylinderState.PINNED)

    @property
    def is_checked_alone(self) -> bool:
        """Checked by the person who pinned it."""
        off = self.off
        return self.is_checked and bool(off.checked_by) and off.pinned_by in ("", off.checked_by)


@dataclass(frozen=True, slots=True)
class AtBench:
    """A job with its cylinders, and the keys and the copies of the customer's own keys that the shop cuts for it."""

    job: Job
    cylinders: JobCylinders
    keys: list[KeysetCopies]
    copies: tuple[tuple[str, int], ...]
    waiting: Sequence[Keyset]

    @property
    def is_keyed_here(self) -> bool:
        return bool(self.cylinders.lines) and "shop" in self.job.keyed_at


def at_bench(work: Work, number: int) -> AtBench:
    """LedgerError when the shop keys nothing of the job."""
    job = get_job(work.session, number)
    theirs = sent_keysets(work.session, job)
    mine = (key for key in keys_of_job(work.session, job.id) if key.keyset_id not in theirs)
    keys = [KeysetCopies(keyset, tuple(copies)) for keyset, copies in groupby(mine, key=lambda key: key.keyset)]
    waiting = waiting_keys(work.session, job.id) if job.stage in BENCH_STAGES else ()
    found = AtBench(job, job_cylinders(work.session, job.id), keys, own_copies(job), waiting)
    if not (found.is_keyed_here or found.keys or found.copies):
        raise LedgerError("", f"Nothing in job {number} is keyed on the shop's own bench.")
    return found


@dataclass(frozen=True, slots=True)
class RackCard:
    """Cylinders that are pinned alike: their ticks, and their pins once they are open. waits_for: sizes of pins."""

    lines: tuple[TickLine, ...]
    pins: CylinderCard | None = None
    waits_for: tuple[str, ...] = field(default=(), repr=False)


@dataclass(frozen=True, slots=True)
class RackOnPage:
    """A rack with its cards."""

    rack: Rack
    cards: tuple[RackCard, ...]

    @property
    def lines(self) -> tuple[TickLine, ...]:
        """All of its cylinders."""
        return tuple(line for card in self.cards for line in card.lines)

    @property
    def span(self) -> str:
        """From which opening to which: "F01 to F12"."""
        named = [line.row.opening_number for line in self.lines if line.row.opening_number]
        return " to ".join(dict.fromkeys((named[0], named[-1]))) if named else ""


@dataclass(frozen=True, slots=True)
class BenchJob:
    """A job at the bench, rack by rack. sheets: its systems with their keys, once bittings are open. blanks: keyset →
    what its keys are cut of, in systems on several keyways.
    """

    job: Job
    late_days: int
    racks: tuple[RackOnPage, ...]
    sheets: tuple[SystemSheet, ...]
    keys: list[KeysetCopies]
    blanks: dict[int, str]
    copies: tuple[tuple[str, int], ...]
    waiting: Sequence[Keyset]
    cautions: tuple[str, ...]

    @property
    def is_open(self) -> bool:
        """Whether its bittings are open."""
        return bool(self.sheets)

    @property
    def lines(self) -> list[TickLine]:
        """All cylinders that are keyed here."""
        return [line for rack in self.racks for line in rack.lines]

    @property
    def pinned(self) -> int:
        """How many are pinned."""
        return sum(line.is_pinned for line in self.lines)

    @property
    def checked(self) -> int:
        """How many are checked."""
        return sum(line.is_checked for line in self.lines)

    @property
    def checked_alone(self) -> int:
        """How many by whoever pinned them."""
        return sum(line.is_checked_alone for line in self.lines)

    @property
    def short(self) -> list[str]:
        """The openings, or keysets, of those that wait for a pin."""
        return [line.row.opening_number or line.row.keyset for line in self.lines if line.is_short]

    @property
    def key_count(self) -> int:
        """Keys of the job that are cut here."""
        return sum(len(one.keys) for one in self.keys)

    @property
    def to_cut(self) -> int:
        """Of those, the ones not cut yet."""
        return sum(one.count(KeyState.ORDERED) for one in self.keys)

    @property
    def can_tick(self) -> bool:
        """Whether its cylinders can be ticked off."""
        return self.job.stage is Stage.ON_THE_BENCH

    @property
    def can_cut(self) -> bool:
        """Whether its keys can."""
        return self.job.stage in CUT_IN

    @property
    def can_start(self) -> bool:
        """Whether it can be put on the bench now."""
        return Stage.ON_THE_BENCH in next_stages(self.job) and self.job.stage in BEFORE_BENCH

    @property
    def deposit_missing(self) -> str:
        """What is not paid of the deposit, where it is to be started."""
        return job_money(self.job).deposit_missing if self.can_start else ""


def job_at_bench(found: AtBench, *, is_open: bool = False) -> BenchJob:
    """is_open: with its pins and cuts, which is put on record."""
    work, job = current_work(), found.job
    sheets = tuple(system_sheet(system) for system in bench_work(work, job).systems) if is_open else ()
    if is_open:  # the reveal wrote an event, so the page's rows are read again
        found = at_bench(work, job.number)
    job, session = found.job, work.session
    offs, short = checked_off(session, job.id), short_of_pins(work, job) if job.stage in BENCH_STAGES else {}
    pins = {one: card for sheet in sheets for card in sheet.cylinders for one in card.cylinder.ids}

    def line_of(row: PlainRow) -> TickLine:
        off = offs.get(row.id, CheckOff())
        return TickLine(found.cylinders.row(row), row.state, off, is_short=row.id in short)

    racks = []
    for rack in racks_of(session, job, found.cylinders) if found.is_keyed_here else ():
        cards = []
        for _, rows in groupby(rack.lines, key=lambda row: id(pins.get(row.id))):
            mine = list(rows)
            card = pins.get(mine[0].id)
            waits = {pin_words(pin) for row in mine for pin in short.get(row.id, ())} if card else set[str]()
            cards.append(RackCard(tuple(map(line_of, mine)), card, tuple(sorted(waits))))
        racks.append(RackOnPage(rack, tuple(cards)))
    cautions = cautions_by_door(session, job.id)
    blanks = dict[int, str]()
    for system in dict.fromkeys(one.keyset.system for one in found.keys):
        blanks |= blanks_in_words(session, system)
    return BenchJob(
        job=job,
        late_days=days_late(job, work.today),
        racks=tuple(racks),
        sheets=sheets,
        keys=found.keys,
        blanks=blanks,
        copies=found.copies,
        waiting=found.waiting,
        cautions=(
            *(one.of_job for one in lost_for_job(session, job.id)),
            *dict.fromkeys(said for line in found.cylinders.lines for said in cautions.get(line.door_id or 0, ())),
        ),
    )
