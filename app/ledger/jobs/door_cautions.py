"""The cautions of the doors that a job has cylinders on, from plain rows."""

from __future__ import annotations

from fractions import Fraction
from typing import NamedTuple

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.sites.cautions import cautions_for
from app.ledger.sites.current_cylinders import standing_among
from app.ledger.store.rows import read
from app.ledger.tables import Cylinder, CylinderState, Door, Lock


class _There(NamedTuple):
    """A cylinder on a door, with what the door and its lock say."""

    id: int
    position: str
    type: str
    length: Fraction | None
    finish: str
    state: CylinderState
    door_id: int
    is_egress: bool
    is_fire_rated: bool
    thickness: Fraction | None
    lock: str | None
    function: str | None


_MINE = (
    sa.select(Cylinder.door_id)
    .where(Cylinder.job_id == sa.bindparam("job", type_=sa.Integer))
    .order_by(Cylinder.id)
    .limit(sa.bindparam("first", type_=sa.Integer))
)
_ROWS = (
    sa.select(
        Cylinder.id,
        Cylinder.position,
        Cylinder.type,
        Cylinder.length,
        Cylinder.finish,
        Cylinder.state,
        Cylinder.door_id,
        Door.is_egress,
        Door.is_fire_rated,
        Door.thickness,
        Lock.description,
        Lock.function,
    )
    .join(Door, Door.id == Cylinder.door_id)
    .outerjoin(Lock, Lock.door_id == Door.id)
    .where(Cylinder.door_id.in_(_MINE))
)


def cautions_by_door(session: Session, job_id: int, first: int) -> dict[int, tuple[str, ...]]:
    """Door id → its cautions, which look at all that stands there, whichever job brought it: one query.

    `first`: of how many of the job's cylinders, in the order sold; a door of another may be missing.
    """
    there: dict[int, list[_There]] = {}
    for row in read(session, _ROWS, {"job": job_id, "first": first}):
        one = _There._make(row)
        there.setdefault(one.door_id, []).append(one)
    return {
        door_id: cautions_for(
            standing_among(found),
            is_egress=found[0].is_egress,
            is_fire_rated=found[0].is_fire_rated,
            thickness=found[0].thickness,
            lock_words=f"{found[0].lock or ''} {found[0].function or ''}",
        )
        for door_id, found in there.items()
    }
