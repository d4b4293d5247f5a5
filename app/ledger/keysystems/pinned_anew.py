"""Cylinders whose pins are no longer right: their ticks as pinned and checked are taken back."""

from __future__ import annotations

__all__ = ["PINNED_ANEW", "take_ticks_back"]

from collections.abc import Collection

import sqlalchemy as sa

from app.ledger.doors.models import Cylinder, CylinderState
from app.ledger.errors import LedgerError
from app.ledger.events.actions import record
from app.ledger.jobs.models import Job, Stage
from app.ledger.work import Work

PINNED_ANEW = "cylinders to pin anew"
_TICKED = (CylinderState.PINNED, CylinderState.CHECKED)
_PAST_THE_BENCH = (Stage.CHECKED, Stage.READY)


def take_ticks_back(work: Work, cylinder_ids: Collection[int], why: str) -> int:
    """Have cylinders that are pinned or checked be pinned anew, inside the caller's transaction; how many they are.

    One event a job says so. LedgerError where their job has left the bench: it goes back there first, so that it
    cannot be handed over with pins that nobody checked. Cylinders that are fitted keep their state.
    """
    jobs: dict[int, list[Cylinder]] = {}
    ids = sorted(set(cylinder_ids))
    for start in range(0, len(ids), 500):
        rows = sa.select(Cylinder).where(
            Cylinder.id.in_(ids[start : start + 500]), Cylinder.state.in_(_TICKED), Cylinder.job_id.is_not(None)
        )
        for cylinder in work.session.scalars(rows.order_by(Cylinder.id)):
            jobs.setdefault(cylinder.job_id or 0, []).append(cylinder)
    for job_id, cylinders in jobs.items():
        job = work.session.get_one(Job, job_id)
        if job.stage in _PAST_THE_BENCH:
            raise LedgerError(
                "", f"Job {job.number} is {job.stage.value}: move it back on to the bench first, to be pinned anew."
            )
        for cylinder in cylinders:
            cylinder.state = CylinderState.ORDERED
        count = f"{len(cylinders)} cylinder{'' if len(cylinders) == 1 else 's'}"
        record(
            work,
            PINNED_ANEW,
            f"job {job.number}",
            f"{count} to pin and check anew: {why}",
            job_id=job.id,
            cylinders=[cylinder.id for cylinder in cylinders],
        )
    return sum(map(len, jobs.values()))
