"""Use cases: the bench ticks cylinders off as pinned and as checked, and keys as cut."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.jobs.stages import wants_second_check
from app.ledger.keys.job_keys import keys_of_job
from app.ledger.keysystems.ticks import PINNED_ANEW, mark_cylinders, mark_keys, take_ticks_back
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Event, Job, KeyState, Role, Stage

PINNED = "cylinders pinned"
CHECKED = "cylinders checked"
CUT_IN = (Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER, Stage.CLOSED)


def pin_off(work: Work, job_number: int, cylinder_ids: Collection[int]) -> int:
    """Tick cylinders of a job on the bench off as pinned; gives how many were not so before.

    Two people may tick at once: what is pinned or checked already stays as it is.
    """
    return _tick(work, job_number, cylinder_ids, CylinderState.ORDERED, CylinderState.PINNED, PINNED)


def check_off(work: Work, job_number: int, cylinder_ids: Collection[int]) -> int:
    """Tick pinned cylinders off as checked.

    LedgerError when one of them is not pinned yet, or when the house wants a second person and the acting one
    pinned it.
    """
    return _tick(work, job_number, cylinder_ids, CylinderState.PINNED, CylinderState.CHECKED, CHECKED)


def untick(work: Work, job_number: int, cylinder_ids: Collection[int]) -> int:
    """Take the ticks of cylinders on the bench back, for what was ticked by mistake; gives how many had one."""
    work.require(Role.BENCH)
    if not cylinder_ids:
        raise LedgerError("cylinders", "Tick the cylinders whose ticks are taken back.")
    with transaction(work.session):
        _wanted(work, job_number, cylinder_ids)
        return take_ticks_back(work, cylinder_ids, f"ticks taken back by {work.actor.name}")


def cut_off(work: Work, job_number: int, keyset_ids: Collection[int]) -> int:
    """Tick a job's keys of these keysets off as cut and stamped; gives how many were not so before.

    The job has been on the bench, so whoever had to allow its keys was asked. LedgerError on `keys` or `stage`.
    """
    return _put_keys(work, job_number, keyset_ids, KeyState.ORDERED, KeyState.CUT)


def uncut(work: Work, job_number: int, keyset_ids: Collection[int]) -> int:
    """Take the ticks of a job's keys back that are still in the shop; gives how many had one."""
    return _put_keys(work, job_number, keyset_ids, KeyState.CUT, KeyState.ORDERED)


def _put_keys(work: Work, job_number: int, keyset_ids: Collection[int], before: KeyState, after: KeyState) -> int:
    work.require(Role.BENCH)
    if not keyset_ids:
        raise LedgerError("keys", "Tick the keys that this is about.")
    with transaction(work.session):
        job = _job(work, job_number)
        if job.stage not in CUT_IN:
            raise LedgerError("stage", f"This job is {job.stage.value}; move it on to the bench first.")
        mine = [key for key in keys_of_job(work.session, job.id) if key.keyset_id in keyset_ids]
        if {key.keyset_id for key in mine} != set(keyset_ids):
            raise NotFound("key in this job")
        changed = [key for key in mine if key.state is before]
        mark_keys(work, job, changed, after)
        return len(changed)


def _tick(
    work: Work,
    job_number: int,
    cylinder_ids: Collection[int],
    before: CylinderState,
    after: CylinderState,
    kind: str,
) -> int:
    work.require(Role.BENCH)
    if not cylinder_ids:
        raise LedgerError("cylinders", f"Tick the cylinders that are {after.value}.")
    with transaction(work.session):
        job, wanted = _wanted(work, job_number, cylinder_ids)
        if after is CylinderState.CHECKED and any(one.state is CylinderState.ORDERED for one in wanted):
            raise LedgerError("cylinders", "A cylinder is checked after it is pinned; tick it as pinned first.")
        moved = [cylinder for cylinder in wanted if cylinder.state is before]
        if after is CylinderState.CHECKED and wants_second_check(work.session):
            _require_somebody_else(work, job, moved)
        mark_cylinders(work, job, moved, after, kind, f"{after.value} by {work.actor.name}")
        return len(moved)


def _wanted(work: Work, job_number: int, cylinder_ids: Collection[int]) -> tuple[Job, list[Cylinder]]:
    """The job, which has to be on the bench, and those of its cylinders."""
    job = _job(work, job_number)
    if job.stage is not Stage.ON_THE_BENCH:
        raise LedgerError("stage", f"This job is {job.stage.value}; move it on to the bench first.")
    wanted = [cylinder for cylinder in job.cylinders if cylinder.id in cylinder_ids]
    if len(wanted) != len(set(cylinder_ids)):
        raise NotFound("cylinder in this job")
    return job, wanted


def _job(work: Work, number: int) -> Job:
    job = work.session.scalar(sa.select(Job).where(Job.number == number))
    if job is None:
        raise NotFound("job")
    return job


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

    @property
    def is_second_person(self) -> bool:
        """Whether somebody else checked it than pinned it."""
        return bool(self.pinned_by and self.checked_by) and self.pinned_by != self.checked_by


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
