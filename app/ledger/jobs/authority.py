"""Written authority for a job: on file for every key system that it rekeys in or out of, or cuts keys of."""

from __future__ import annotations

from collections.abc import Sequence

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased

from app.ledger.doors.models import Cylinder, CylinderState
from app.ledger.jobs.models import Job
from app.ledger.keysystems.authority import require_authority
from app.ledger.keysystems.models import Key, Keyset, KeySystem
from app.ledger.work import Work


def systems_of_job(session: Session, job_id: int) -> Sequence[KeySystem]:
    """The key systems that a job's cylinders and keys belong to: one query."""
    return _systems(session, sa.or_(*_own(job_id)))


def systems_touched(session: Session, job_id: int) -> Sequence[KeySystem]:
    """`systems_of_job`, and the systems of what stands where its cylinders go: one query.

    A door that is keyed out of a system is a rekey of that system.
    """
    mine, there = aliased(Cylinder), aliased(Cylinder)
    replaced = (
        sa.select(there.keyset_id)
        .join(
            mine,
            sa.and_(mine.door_id == there.door_id, sa.func.lower(mine.position) == sa.func.lower(there.position)),
        )
        .where(mine.job_id == job_id, there.state == CylinderState.FITTED, there.keyset_id.is_not(None))
    )
    return _systems(session, sa.or_(*_own(job_id), Keyset.id.in_(replaced)))


def _own(job_id: int) -> tuple[sa.ColumnElement[bool], ...]:
    pinned = sa.select(Cylinder.keyset_id).where(Cylinder.job_id == job_id, Cylinder.keyset_id.is_not(None))
    cut = sa.select(Key.keyset_id).where(Key.job_id == job_id)
    return Keyset.id.in_(pinned), Keyset.id.in_(cut)


def _systems(session: Session, condition: sa.ColumnElement[bool]) -> Sequence[KeySystem]:
    ids = sa.select(Keyset.system_id).where(condition)
    return session.scalars(sa.select(KeySystem).where(KeySystem.id.in_(ids)).order_by(KeySystem.id)).all()


def require_job_authority(work: Work, job: Job, deed: str, override_reason: str = "") -> None:
    """Let `deed` ("put job 12 on the bench") go on, or refuse on `override_reason`; inside the caller's transaction.

    The owner's override is an event of each system and of the job.
    """
    work.session.flush()
    for system in systems_touched(work.session, job.id):
        require_authority(work, system, deed, override_reason, job_id=job.id)
