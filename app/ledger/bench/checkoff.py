"""The bench ticks cylinders and keys off; and one cylinder as its label's code opens it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload, selectinload

from app.keying import pin, write_bitting
from app.ledger.jobs.papers import (
    BenchCylinder,
    BenchKey,
    BenchSystem,
    cylinder_symbol,
    operating,
    require_pinnable,
)
from app.ledger.jobs.queries import get_job
from app.ledger.jobs.stages import wants_second_check
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.keysystems.bittings import reveal_bittings, spec_of
from app.ledger.keysystems.system_queries import get_system
from app.ledger.keysystems.ticks import PINNED_ANEW, mark_cylinders, mark_keys, take_ticks_back
from app.ledger.sites.cautions import cautions_of
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.work import Work
from app.ledger.tables import (
    Cylinder,
    CylinderOperator,
    CylinderState,
    Door,
    Event,
    Job,
    Keyset,
    KeyState,
    KeySystem,
    Level,
    Role,
    Stage,
)

PINNED = "cylinders pinned"
CHECKED = "cylinders checked"
CUT_IN = (Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER, Stage.CLOSED)


_FROM = {CylinderState.PINNED: CylinderState.ORDERED, CylinderState.CHECKED: CylinderState.PINNED}


def tick_cylinders(work: Work, job_number: int, cylinder_ids: Collection[int], state: CylinderState) -> int:
    """Tick cylinders of a job on the bench off as pinned or checked, or undo their ticks (ordered); how many changed.

    Two people may tick at once: what is as far already stays as it is. LedgerError on `cylinders` where none is
    named, where one is to be checked that is not pinned yet, and where the house wants a second person to check it.
    """
    work.require(Role.BENCH)
    if not cylinder_ids:
        which = "whose ticks to undo" if state is CylinderState.ORDERED else f"that are {state.value}"
        raise LedgerError("cylinders", f"Tick the cylinders {which}.")
    with transaction(work.session):
        job = get_job(work.session, job_number)
        if job.stage is not Stage.ON_THE_BENCH:
            raise LedgerError("stage", f"This job is {job.stage.word}; move it on to the bench first.")
        wanted = [cylinder for cylinder in job.cylinders if cylinder.id in cylinder_ids]
        if len(wanted) != len(set(cylinder_ids)):
            raise NotFound("cylinder in this job")
        if state is CylinderState.ORDERED:
            return take_ticks_back(work, cylinder_ids, f"ticks undone by {work.actor.name}")
        moved = [cylinder for cylinder in wanted if cylinder.state is _FROM[state]]
        if state is CylinderState.CHECKED:
            if any(one.state is CylinderState.ORDERED for one in wanted):
                raise LedgerError("cylinders", "A cylinder is checked after it is pinned; tick it as pinned first.")
            if wants_second_check(work.session):
                _require_somebody_else(work, job, moved)
        kind = CHECKED if state is CylinderState.CHECKED else PINNED
        mark_cylinders(work, job, moved, state, kind, f"{state.value} by {work.actor.name}")
        return len(moved)


def tick_keys(work: Work, job_number: int, keyset_ids: Collection[int], state: KeyState) -> int:
    """Tick a job's keys of these keysets off as cut and stamped, or undo it (ordered); how many changed.

    The job has been on the bench, so whoever had to allow its keys was asked; what has left the shop stays as it is.
    LedgerError on `keys` or `stage`.
    """
    work.require(Role.BENCH)
    if not keyset_ids:
        raise LedgerError("keys", "Tick the keys that this is about.")
    with transaction(work.session):
        job = get_job(work.session, job_number)
        if job.stage not in CUT_IN:
            raise LedgerError("stage", f"This job is {job.stage.word}; move it on to the bench first.")
        mine = [key for key in keys_of_job(work.session, job.id) if key.keyset_id in keyset_ids]
        if {key.keyset_id for key in mine} != set(keyset_ids):
            raise NotFound("key in this job")
        before = KeyState.ORDERED if state is KeyState.CUT else KeyState.CUT
        changed = [key for key in mine if key.state is before]
        mark_keys(work, job, changed, state)
        return len(changed)


def _require_somebody_else(work: Work, job: Job, cylinders: Sequence[Cylinder]) -> None:
    offs = checked_off(work.session, job.id)
    own = [one for one in cylinders if offs.get(one.id, CheckOff()).pinned_by == work.actor.name]
    if own:
        raise LedgerError(
            "cylinders",
            f"You pinned {len(own)} of these yourself; this house wants a second person to check them.",
        )


@dataclass(frozen=True, slots=True)
class CheckOff:
    """Who pinned a cylinder and who checked it, "" where nobody did."""

    pinned_by: str = ""
    checked_by: str = ""


def checked_off(session: Session, job_id: int) -> dict[int, CheckOff]:
    """Cylinder id → who did what, as the newest events tell, in one query."""
    events: Sequence[Event] = session.scalars(
        sa.select(Event)
        .where(Event.job_id == job_id, Event.kind.in_((PINNED, CHECKED, PINNED_ANEW)))
        .order_by(Event.id)
    ).all()
    pinned: dict[int, str] = {}
    checked: dict[int, str] = {}
    for event in events:
        for cylinder_id in event.detail.get("cylinders", []):
            if event.kind != CHECKED:
                checked.pop(cylinder_id, None)  # pinned anew after the check
            if event.kind == PINNED_ANEW:
                pinned.pop(cylinder_id, None)
            else:
                (pinned if event.kind == PINNED else checked)[cylinder_id] = event.actor_name
    return {one: CheckOff(pinned.get(one, ""), checked.get(one, "")) for one in {**pinned, **checked}}


@dataclass(frozen=True, slots=True)
class CylinderRecord:
    """A cylinder without its pins. operated_by: every symbol whose key turns it, its own first."""

    cylinder: Cylinder
    job: Job | None
    system: KeySystem | None
    keyset: str  # its symbol with the trade's marks; "" uncombinated
    operated_by: tuple[str, ...]
    cautions: tuple[str, ...]
    off: CheckOff

    @property
    def is_on_bench(self) -> bool:
        """Whether the shop keys it, so that it has pins to show."""
        return self.system is not None and self.job is not None and "shop" in self.job.keyed_at


def cylinder_record(session: Session, cylinder_id: int) -> CylinderRecord:
    """The record; NotFound when there is none. Opens no bitting."""
    cylinder = session.scalar(
        sa.select(Cylinder)
        .where(Cylinder.id == cylinder_id)
        .options(
            joinedload(Cylinder.door).joinedload(Door.site),
            joinedload(Cylinder.door).joinedload(Door.lock),
            selectinload(Cylinder.operators).joinedload(CylinderOperator.keyset),
        )
    )
    if cylinder is None:
        raise NotFound("cylinder")
    job = session.get(Job, cylinder.job_id) if cylinder.job_id else None
    system = (
        get_system(session, session.get_one(Keyset, cylinder.keyset_id).system_id) if cylinder.keyset_id else None
    )
    by_id = {one.id: one for one in system.keysets} if system else {}
    offs = checked_off(session, job.id) if job else {}
    return CylinderRecord(
        cylinder=cylinder,
        job=job,
        system=system,
        keyset=cylinder_symbol(cylinder, by_id),
        operated_by=tuple(keyset.symbol for keyset in operating(cylinder, by_id)),
        cautions=cautions_of(cylinder.door) if cylinder.door else (),
        off=offs.get(cylinder.id, CheckOff()),
    )


def cylinder_work(work: Work, record: CylinderRecord) -> BenchSystem:
    """The cylinder's key and pins, for bench and owner; the reveal is an event of its job.

    The whole system is audited first, as for a bench sheet. LedgerError where the shop holds no bitting of it.
    """
    work.require(Role.BENCH)
    system, cylinder = record.system, record.cylinder
    own = next((one for one in system.keysets if one.id == cylinder.keyset_id), None) if system else None
    if system is None or own is None or own.bitting is None:
        raise LedgerError("", "The shop holds no bitting of this cylinder.")
    require_pinnable(work, [system], "No pins are shown.")
    job_id = record.job.id if record.job else None
    opened = reveal_bittings(work, [system.id], f"cylinder {cylinder.id}, {record.keyset}", job_id=job_id)
    spec, by_id = spec_of(system), {one.id: one for one in system.keysets}
    control = next((opened.get(one.id) for one in system.keysets if one.level is Level.CONTROL), None)
    keys = {one.symbol: opened[one.id] for one in operating(cylinder, by_id) if one.id in opened}
    group = BenchCylinder(
        keyset=record.keyset,
        quantity=1,
        words=cylinder.words,
        openings=(cylinder.door.opening_number,) if cylinder.door else (),
        operated_by=record.operated_by,
        pinning=pin(spec, keys, control),
    )
    key = BenchKey(own.symbol, write_bitting(spec, opened[own.id]), 1)
    return BenchSystem(system.name, system.keyway, system.spec.name, spec, (key,), (group,))
