"""A rekey job changes the pins of a cylinder that is on record: what the cylinder is, it stays."""

from __future__ import annotations

__all__ = ["keep_what_it_is", "on_door"]

from app.fitting.cylinder import CylinderAttributes
from app.ledger.doors.models import Cylinder, Door
from app.ledger.doors.standing import standing

_KEPT = ("length", "chambers", "drilled", "keyway", "cam", "tailpiece", "finish")


def on_door(door: Door | None, position: str) -> Cylinder | None:
    """The cylinder on record at a position of a door; None where none is known."""
    there = standing(door) if door is not None else ()
    return next((one for one in there if one.position.casefold() == position.casefold()), None)


def keep_what_it_is(cylinder: Cylinder, there: Cylinder, said: CylinderAttributes) -> None:
    """Carry part number, maker, finish and measures over from the cylinder on record.

    What the job says of the cylinder (`said`) goes first; a cylinder of another type is not the one on record.
    """
    if said.type and there.type and said.type != there.type:
        return
    cylinder.maker_id, cylinder.part_number = there.maker_id, there.part_number
    cylinder.type = said.type or there.type
    for name in _KEPT:
        if not getattr(said, name):
            setattr(cylinder, name, getattr(there, name))
    if all(getattr(cylinder, name) == getattr(there, name) for name in _KEPT):
        cylinder.words = there.words
