"""Which cylinder stands at each position of a door, among those on record there."""

from __future__ import annotations

__all__ = ["standing"]

from app.ledger.doors.models import Cylinder, CylinderState, Door


def standing(door: Door) -> tuple[Cylinder, ...]:
    """One cylinder a position, by position: the fitted one; where none is fitted, the one that is to come."""
    found: dict[str, Cylinder] = {}
    there = [one for one in door.cylinders if one.state is not CylinderState.REMOVED]
    for one in sorted(there, key=lambda one: (one.state is CylinderState.FITTED, one.id)):
        found[one.position] = one
    return tuple(found[position] for position in sorted(found))
