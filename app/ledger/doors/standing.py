"""Which cylinder stands at each position of a door, among those on record there."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol, TypeVar

from app.ledger.doors.models import Cylinder, CylinderState, Door


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
