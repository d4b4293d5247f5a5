"""Keys: pieces of metal with copy numbers, ordered with a job."""

from __future__ import annotations

__all__ = ["order_keys"]

import sqlalchemy as sa

from app.ledger.keysystems.models import Key, Keyset
from app.ledger.work import Work


def order_keys(work: Work, keyset: Keyset, count: int, job_id: int | None) -> None:
    """Add `count` keys to cut for a keyset, inside the caller's transaction; copy numbers go on from the last."""
    last = work.session.scalar(sa.select(sa.func.max(Key.copy_number)).where(Key.keyset_id == keyset.id)) or 0
    work.session.add_all(
        Key(keyset_id=keyset.id, job_id=job_id, copy_number=last + number, changed_at=work.now)
        for number in range(1, count + 1)
    )
    keyset.keys_ordered += count
    work.session.flush()
