"""Which of a job's cylinders are keyed at the factory."""

from __future__ import annotations

__all__ = ["sent_cylinders"]

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.doors.models import Cylinder
from app.ledger.jobs.models import Job, QuoteRevision
from app.ledger.jobs.options import as_accepted
from app.ledger.jobs.snapshot import read_snapshot


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
