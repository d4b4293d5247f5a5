"""Which of a job's cylinders are keyed, and which of its keys are cut, at the factory."""

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.quoting.snapshot import as_accepted, read_snapshot
from app.ledger.tables import Cylinder, Job, Key, Keyset, KeySystem, QuoteRevision, RecordsHolder


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
    """Ids of the keysets whose keys the factory cuts for the job; the keys of all others are cut here.

    Those of systems whose records it holds; and with the cylinders that it keys from ours: all of a system with none
    keyed here, the masters too, else what no cylinder keyed here is on.
    """
    sold = sa.select(Key.keyset_id).where(Key.job_id == job.id)
    theirs = sa.select(Keyset.id).join(KeySystem).where(KeySystem.records == RecordsHolder.FACTORY)
    away = set(session.scalars(theirs.where(Keyset.id.in_(sold))))
    if sent := sent_cylinders(session, job):
        rows = session.execute(
            sa.select(Cylinder.id, Keyset.id, Keyset.system_id)
            .join(Keyset, Keyset.id == Cylinder.keyset_id)
            .where(Cylinder.job_id == job.id)
        ).all()
        here = {keyset_id for cylinder_id, keyset_id, _ in rows if cylinder_id not in sent}
        away |= {keyset_id for cylinder_id, keyset_id, _ in rows if cylinder_id in sent} - here
        whole = {row.system_id for row in rows} - {row.system_id for row in rows if row[0] not in sent}
        away |= set(session.scalars(sa.select(Keyset.id).where(Keyset.system_id.in_(whole))))
    return frozenset(away)
