"""Keys: pieces of metal with copy numbers, ordered with a job."""

from __future__ import annotations

from collections.abc import Mapping

import sqlalchemy as sa

from app.ledger.store.work import Work
from app.ledger.tables import Key, Keyset

_STEP = 500  # keysets asked about at once; a statement takes only so many values


def order_keys(work: Work, counts: Mapping[Keyset, int], job_id: int | None) -> None:
    """Add so many keys to cut for each keyset, inside the caller's transaction; copy numbers go on from the last."""
    rows = sa.select(Key.keyset_id, sa.func.max(Key.copy_number)).group_by(Key.keyset_id)
    ids = [keyset.id for keyset in counts]
    last: dict[int, int] = {}
    for start in range(0, len(ids), _STEP):
        found = work.session.execute(rows.where(Key.keyset_id.in_(ids[start : start + _STEP])))
        last.update(dict(found.all()))
    for keyset, count in counts.items():
        work.session.add_all(
            Key(
                keyset_id=keyset.id,
                job_id=job_id,
                copy_number=last.get(keyset.id, 0) + number,
                changed_at=work.now,
            )
            for number in range(1, count + 1)
        )
        keyset.keys_ordered += count
    work.session.flush()
