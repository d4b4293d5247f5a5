"""A job's keys for their receipt, and the receipts that were signed for keys of it."""

from __future__ import annotations

__all__ = ["keys_of_job", "signed_receipts"]

from collections.abc import Iterable, Sequence

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.ledger.events.models import Event
from app.ledger.keysystems.keys_held import ISSUED
from app.ledger.keysystems.models import Key, Keyset, KeyState
from app.ledger.reading import read


def keys_of_job(session: Session, job_id: int) -> Sequence[Key]:
    """The keys that came with a job, retired and lost ones left out, by keyset and copy number: one query."""
    return session.scalars(
        sa.select(Key)
        .join(Keyset)
        .where(Key.job_id == job_id, Key.state.not_in((KeyState.RETIRED, KeyState.LOST)))
        .options(joinedload(Key.keyset))
        .order_by(Keyset.system_id, Keyset.id, Key.copy_number)
    ).all()


def signed_receipts(session: Session, job_id: int, system_ids: Iterable[int]) -> tuple[tuple[int, str], ...]:
    """(number, holder) of each receipt with a key of this job on it, oldest first; `system_ids`: the job's systems.

    One query where no key of these systems was ever handed out, else two.
    """
    subjects = sorted(f"key system {system_id}" for system_id in system_ids)
    told = [detail for (detail,) in read(session, _HANDED_OUT, {"subjects": subjects})]
    keys = set(session.scalars(sa.select(Key.id).where(Key.job_id == job_id))) if told else set()
    return tuple(
        (int(detail["receipt"]), str(detail["holder"]))
        for detail in told
        if not keys.isdisjoint(detail.get("keys", ()))
    )


_HANDED_OUT = (
    sa.select(Event.detail)
    .where(Event.subject.in_(sa.bindparam("subjects", expanding=True)), Event.kind == ISSUED)
    .order_by(Event.id)
)
