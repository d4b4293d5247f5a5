"""Which of a job's cylinders are keyed, and which of its keys are cut, at the factory."""

from collections.abc import Collection

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.quoting.snapshot import KeyingChoice, as_accepted, read_snapshot
from app.ledger.tables import Cylinder, Job, Key, Keyset, KeySystem, QuoteRevision, RecordsHolder


def sent_cylinders(session: Session, job: Job) -> frozenset[int]:
    """Ids of the cylinders that the factory keys; empty, without a query, where the shop keys all of the job.

    The newest revision counts, as the option that was accepted.
    """
    if "factory" not in job.keyed_at:
        return frozenset()
    lines = [number for choice in _at_factory(session, job) for number in choice.lines]
    rows = sa.select(Cylinder.id).where(Cylinder.job_id == job.id, Cylinder.line_number.in_(lines))
    return frozenset(session.scalars(rows))


def small_order_cents(session: Session, job: Job, lines: Collection[int]) -> int:
    """What was agreed that the maker who keys these lines charges beside for an order under its minimum."""
    return sum(one.small_order_cents for one in _at_factory(session, job) if {*one.lines} & {*lines})


def _at_factory(session: Session, job: Job) -> list[KeyingChoice]:
    text = session.scalar(
        sa.select(QuoteRevision.snapshot)
        .where(QuoteRevision.job_id == job.id)
        .order_by(QuoteRevision.revision.desc())
        .limit(1)
    )
    choices = as_accepted(read_snapshot(text), job.accepted_option).keying if text else ()
    return [one for one in choices if one.choice == "factory"]


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
