"""Use cases about doors: put one on record or change it."""

from __future__ import annotations

__all__ = ["upsert_door"]

import sqlalchemy as sa

from app.ledger.doors.models import Door, Lock
from app.ledger.doors.paste import DoorRow
from app.ledger.work import Work


def upsert_door(work: Work, site_id: int, row: DoorRow) -> Door:
    """The site's door with this opening number, made or filled in, inside the caller's transaction.

    What the row does not say stays as it is on record.
    """
    door = work.session.scalar(sa.select(Door).where(Door.site_id == site_id, Door.opening_number == row.opening))
    if door is None:
        door = Door(site_id=site_id, opening_number=row.opening)
        work.session.add(door)
    door.location = row.location or door.location or ""
    door.hand = row.hand or door.hand or ""
    door.thickness = row.thickness or door.thickness
    door.stile = row.stile or door.stile
    door.is_egress = row.is_egress or bool(door.is_egress)
    door.is_fire_rated = row.is_fire_rated or bool(door.is_fire_rated)
    door.remarks = row.remarks or door.remarks or ""
    if row.lock:
        if door.lock is None:
            door.lock = Lock(description=row.lock, function=row.function)
        else:
            door.lock.description = row.lock
            door.lock.function = row.function or door.lock.function
    work.session.flush()
    return door
