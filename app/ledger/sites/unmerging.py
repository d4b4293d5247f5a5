"""The door that a merge took away, put on record again with the cylinders that it brought."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.orm import Session
from sqlalchemy.orm.attributes import flag_modified

from app.ledger.sites.door_fields import put
from app.ledger.store.errors import LedgerError
from app.ledger.tables import Door, Event

MERGED, UNMERGED = "doors merged", "merge taken back"


@dataclass(frozen=True, slots=True)
class ReturningDoor:
    """What taking a merge back puts on record again. `kept`: (id, version) of the door that stayed;
    `values`: the other door's fields as text; `cylinders`: those that go back to it, as (id, "101, outside")."""

    door_id: int
    kept: tuple[int, int]
    values: Mapping[str, str]
    cylinders: tuple[tuple[int, str], ...]

    @property
    def opening(self) -> str:
        """The opening number under which it comes back."""
        return self.values["opening"]


def taken_back(session: Session, site_id: int) -> set[int]:
    """Ids of the merges of a site's doors that were taken back: in them no door is part of another any more."""
    rows = sa.select(Event).where(Event.subject == f"site {site_id}", Event.kind == UNMERGED)
    return {int(event.detail["undoes"]) for event in session.scalars(rows)}


def what_returns(session: Session, event: Event, kept: Door | None, told: list[str]) -> ReturningDoor | None:
    """The door that comes back when the merge `event` is taken back; None where nothing can.

    `kept`: the door that stayed, None when it is gone itself. Sentences about what does not come back are added to
    `told`. LedgerError when another door has its opening number by now.
    """
    values: Mapping[str, str] = event.detail["was"]
    if kept is None:
        told.append("The door that stayed was merged on since; take that merge back first.")
        return None
    if event.id in taken_back(session, kept.site_id):
        told.append(f"This merge was taken back already; {values['opening']} is a door of its own again.")
        return None
    rows = sa.select(Door.id).where(Door.site_id == kept.site_id, Door.opening_number == values["opening"])
    if session.scalar(rows) is not None:
        raise LedgerError("", f"Another door is {values['opening']} by now; give that one another number first.")
    if "moved" not in event.detail:
        told.append(f"Which cylinders {values['opening']} brought was not kept then; all stay with the other door.")
    brought = set(event.detail.get("moved", ()))
    back = [one for one in kept.cylinders if one.id in brought]
    if len(back) < len(brought):
        told.append("A cylinder that it brought is not on that door any more; it stays where it is.")
    return ReturningDoor(
        int(event.detail["gone"]),
        (kept.id, kept.version),
        values,
        tuple((one.id, f"{values['opening']}, {one.position}") for one in back),
    )


def bring_back(session: Session, returning: ReturningDoor, kept: Door) -> Door:
    """Put the door on record again, under its old id where that is free, so that its own story goes on."""
    door = Door(site_id=kept.site_id)
    if session.get(Door, returning.door_id) is None:
        door.id = returning.door_id
    put(door, returning.values)
    session.add(door)
    going = {cylinder_id for cylinder_id, _ in returning.cylinders}
    for cylinder in [one for one in kept.cylinders if one.id in going]:
        cylinder.door = door
    flag_modified(kept, "remarks")
    session.flush()
    return door
