"""What the bench's page of a job shows: its cylinders with who pinned and who checked them, and, once revealed,
the pins and cuts of each group that is pinned alike.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from app.documents import CylinderCard, SystemSheet, system_sheet
from app.ledger.bench.checkoff import CUT_IN, CheckOff, checked_off
from app.ledger.jobs.cylinder_lines import ScheduleRow, cautions_by_door, job_cylinders
from app.ledger.jobs.papers import bench_work
from app.ledger.jobs.queries import days_late, get_job
from app.ledger.jobs.stages import next_stages, wants_second_check
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.keysystems.lost_keysets import lost_for_job
from app.ledger.quoting.factory_keyed import sent_cylinders, sent_keysets
from app.ledger.quoting.key_lines import own_copies
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import CylinderState, Job, Key, KeyState, Stage


@dataclass(frozen=True, slots=True)
class TickLine:
    """One keyed cylinder with its tick. Never a bitting."""

    row: ScheduleRow
    state: CylinderState
    off: CheckOff

    @property
    def is_pinned(self) -> bool:
        """Pinned, whether checked already or not."""
        return self.state is not CylinderState.ORDERED

    @property
    def is_checked(self) -> bool:
        """Checked, and so through the bench."""
        return self.state not in (CylinderState.ORDERED, CylinderState.PINNED)


@dataclass(frozen=True, slots=True)
class KeyTick:
    """The keys of one keyset that the shop cuts for the job."""

    keyset_id: int
    symbol: str
    level: str
    keys: int
    to_cut: int


@dataclass(frozen=True, slots=True)
class BenchJobPage:
    """A job at the bench. Cylinders can be ticked only while it is on the bench, keys from then on."""

    job: Job
    late_days: int
    lines: tuple[TickLine, ...]
    keys: tuple[KeyTick, ...]
    copies: tuple[tuple[str, int], ...]  # of the customer's own keys: their keyway, and how many
    cautions: tuple[str, ...]
    can_tick: bool
    can_cut: bool
    can_start: bool
    can_finish: bool
    second_check: bool  # the house wants somebody else to check

    @property
    def pinned(self) -> int:
        """How many cylinders are pinned or further."""
        return sum(line.is_pinned for line in self.lines)

    @property
    def checked(self) -> int:
        """How many cylinders are checked."""
        return sum(line.is_checked for line in self.lines)

    @property
    def to_cut(self) -> int:
        """How many keys are not ticked off as cut."""
        return sum(one.to_cut for one in self.keys)

    @property
    def checked_alone(self) -> int:
        """How many were checked by the person who pinned them."""
        return sum(
            line.is_checked and bool(line.off.checked_by) and not line.off.is_second_person for line in self.lines
        )


def bench_job_page(work: Work, number: int) -> BenchJobPage:
    """The page of a job at the bench. Opens no bitting; LedgerError when the shop keys nothing of it."""
    job = get_job(work.session, number)
    found = job_cylinders(work.session, job.id)
    keys, copies = _keys(work, job), own_copies(job)
    is_keyed_here = bool(found.lines) and "shop" in job.keyed_at
    if not (is_keyed_here or keys or copies):
        raise LedgerError("", f"Nothing in job {number} is keyed on the shop's own bench.")
    cautions = cautions_by_door(work.session, job.id, len(found.lines))
    offs = checked_off(work.session, job.id)
    sent = sent_cylinders(work.session, job)
    lines = tuple(
        TickLine(found.row(line), line.state, offs.get(line.id, CheckOff()))
        for line in found.lines
        if line.keyset_id is not None and line.id not in sent and is_keyed_here
    )
    allowed = next_stages(job)
    return BenchJobPage(
        job=job,
        late_days=days_late(job, work.today),
        lines=lines,
        keys=keys,
        copies=copies,
        cautions=(
            *(one.of_job for one in lost_for_job(work.session, job.id)),
            *dict.fromkeys(caution for line in found.lines for caution in cautions.get(line.door_id or 0, ())),
        ),
        can_tick=job.stage is Stage.ON_THE_BENCH,
        can_cut=job.stage in CUT_IN,
        can_start=Stage.ON_THE_BENCH in allowed and job.stage in (Stage.APPROVED, Stage.PARTS_ON_ORDER),
        can_finish=job.stage is Stage.ON_THE_BENCH,
        second_check=wants_second_check(work.session),
    )


def _keys(work: Work, job: Job) -> tuple[KeyTick, ...]:
    theirs = sent_keysets(work.session, job)
    by_keyset: dict[int, list[Key]] = {}
    for key in keys_of_job(work.session, job.id):
        if key.keyset_id not in theirs:
            by_keyset.setdefault(key.keyset_id, []).append(key)
    return tuple(
        KeyTick(
            *(keyset_id, keys[0].keyset.symbol, keys[0].keyset.level.value, len(keys)),
            sum(key.state is KeyState.ORDERED for key in keys),
        )
        for keyset_id, keys in by_keyset.items()
    )


@dataclass(frozen=True, slots=True)
class BenchGroup:
    """Cylinders that are pinned alike: what the paper's card says, and the ticks of each."""

    card: CylinderCard = field(repr=False)
    lines: tuple[TickLine, ...]


@dataclass(frozen=True, slots=True)
class RevealedSystem:
    """One key system's part of the job, bittings open."""

    sheet: SystemSheet = field(repr=False)
    groups: tuple[BenchGroup, ...] = field(repr=False)


def revealed(work: Work, page: BenchJobPage) -> tuple[RevealedSystem, ...]:
    """The job's pins and cuts, by system and group; puts the reveal on record. For bench and owner."""
    ticks = _by_group(page)
    systems = []
    for sheet in map(system_sheet, bench_work(work, page.job).systems):
        groups = []
        for card in sheet.cylinders:
            cylinder = card.cylinder
            waiting = ticks.get((cylinder.keyset, cylinder.operated_by, cylinder.words), [])
            # Two systems may have a symbol in common; each group takes its own count, in the order of the job.
            taken, waiting[:] = waiting[: cylinder.quantity], waiting[cylinder.quantity :]
            groups.append(BenchGroup(card, tuple(taken)))
        systems.append(RevealedSystem(sheet, tuple(groups)))
    return tuple(systems)


def _by_group(page: BenchJobPage) -> Mapping[tuple[str, tuple[str, ...], str], list[TickLine]]:
    found: dict[tuple[str, tuple[str, ...], str], list[TickLine]] = {}
    for line in page.lines:
        found.setdefault((line.row.keyset, line.row.operated_by, line.row.words), []).append(line)
    return found
