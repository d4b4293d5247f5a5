"""Which cylinder stands at each position of a door, among those on record there."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol, TypeVar

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased

from app.ledger.tables import LATE_STAGES, Cylinder, CylinderState, Door, Job, JobLine, Keyset, KeySystem, LineKind


class Standing(Protocol):
    """A cylinder as a row of the ledger or as a plain one."""

    @property
    def id(self) -> int: ...
    @property
    def position(self) -> str: ...
    @property
    def state(self) -> CylinderState: ...


_One = TypeVar("_One", bound=Standing)


def standing(door: Door) -> tuple[Cylinder, ...]:
    """One cylinder a position, by position: the fitted one; where none is fitted, the one that is to come."""
    return standing_among(door.cylinders)


def standing_among(cylinders: Iterable[_One]) -> tuple[_One, ...]:
    """The same, of one door's cylinders."""
    found: dict[str, _One] = {}
    there = [one for one in cylinders if one.state is not CylinderState.REMOVED]
    for one in sorted(there, key=lambda one: (one.state is CylinderState.FITTED, one.id)):
        found[one.position] = one
    return tuple(found[position] for position in sorted(found))


def making_way(session: Session, customer_id: int) -> dict[int, str]:
    """The ids of a customer's keyed cylinders whose place another takes that is on its way, and which job brings it.

    Whatever system that one is keyed in; of two on their way to one place, the older makes way. One on no door makes
    way for what it is rekeyed to.
    """
    rekeyed = session.execute(
        sa.select(JobLine.ask, Job.number)
        .join(Job, Job.id == JobLine.job_id)
        .where(Job.customer_id == customer_id, Job.stage.in_(LATE_STAGES), JobLine.kind == LineKind.REKEY.value)
    )
    found = {one: f"Job {number} rekeys this" for ask, number in rekeyed for one in ask.get("standing", ())}
    there, coming = aliased(Cylinder), aliased(Cylinder)
    rows = session.execute(
        sa.select(there.id, Job.number, Door.opening_number)
        .select_from(there)
        .join(Keyset, Keyset.id == there.keyset_id)
        .join(KeySystem, KeySystem.id == Keyset.system_id)
        .join(coming, coming.door_id == there.door_id)
        .join(Job, Job.id == coming.job_id)
        .join(Door, Door.id == coming.door_id)
        .where(
            KeySystem.customer_id == customer_id,
            there.state != CylinderState.REMOVED,
            coming.state.not_in((CylinderState.FITTED, CylinderState.REMOVED)),
            sa.func.lower(coming.position) == sa.func.lower(there.position),
            sa.or_(coming.id > there.id, there.state == CylinderState.FITTED),
        )
        .order_by(coming.id)
    )
    found |= {one: f"Job {number} brings another cylinder to {opening}" for one, number, opening in rows}
    return found
