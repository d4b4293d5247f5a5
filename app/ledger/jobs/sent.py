"""Which of a job's cylinders are keyed, and which of its keys are cut, at the factory."""

from __future__ import annotations

__all__ = ["sent_cylinders", "sent_keysets"]

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.doors.models import Cylinder
from app.ledger.jobs.models import Job, QuoteRevision
from app.ledger.jobs.snapshot import as_accepted, read_snapshot
from app.ledger.keysystems.models import Keyset


def sent_cylinders(session: Session, job: Job) -> frozenset[int]:
    """Ids of the cylinders that the factory keys; empty, without a query, where the shop keys all of the job.

    The newest revision counts, as the option that was accepted.
    """
    if "factory" not in job.keyed_at:
        return frozenset()
    text = session.scalar(
        sa.select(QuoteRevision.snapshot)
        .where(QuoteRevision.job_id == job.id)
        .order_by(QuoteRevision.revision.desc())
        .limit(1)
    )
    choices = as_accepted(read_snapshot(text), job.accepted_option).keying if text else ()
    lines = [number for choice in choices if choice.choice == "factory" for number in choice.lines]
    rows = sa.select(Cylinder.id).where(Cylinder.job_id == job.id, Cylinder.line_number.in_(lines))
    return frozenset(session.scalars(rows))


def sent_keysets(session: Session, job: Job) -> frozenset[int]:
    """Ids of the keysets whose keys the factory cuts with the job's cylinders.

    Where it keys all of the job it cuts the masters' too; of a job in two places only what no cylinder keyed here
    is on.
    """
    sent = sent_cylinders(session, job)
    if not sent:
        return frozenset()
    rows = session.execute(
        sa.select(Cylinder.id, Cylinder.keyset_id).where(Cylinder.job_id == job.id, Cylinder.keyset_id.is_not(None))
    ).all()
    here = {row.keyset_id for row in rows if row.id not in sent}
    away: set[int] = {row.keyset_id for row in rows if row.id in sent} - here
    if "shop" not in job.keyed_at:
        systems = sa.select(Keyset.system_id).where(Keyset.id.in_(away))
        away |= set(session.scalars(sa.select(Keyset.id).where(Keyset.system_id.in_(systems))))
    return frozenset(away)
