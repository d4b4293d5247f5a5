"""Use cases about doors: put one on record or change it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import sqlalchemy as sa
from sqlalchemy.orm.attributes import flag_modified

from app.errors import Problem, Problems
from app.ledger.sites.door_fields import DoorChange, FieldChange, changed, for_event, said
from app.ledger.sites.door_paste import HANDS, DoorRow
from app.ledger.store.engine import transaction
from app.ledger.store.errors import NotFound, Stale, Taken
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Door, Lock, Role, Site

_LIMITS = {"opening_number": 40, "location": 200, "lock": 200, "function": 120, "remarks": 2000}


@dataclass(frozen=True, slots=True)
class DoorForm:
    """All that one can say about a door; an empty field means that nothing is known. Inches are exact."""

    opening_number: str
    location: str = ""
    hand: str = ""
    lock: str = ""
    function: str = ""
    thickness: Fraction | None = None
    stile: Fraction | None = None
    is_egress: bool = False
    is_fire_rated: bool = False
    remarks: str = ""


def change_door(work: Work, door_id: int, version: int, form: DoorForm) -> Door:
    """Save a door that was read at `version`, its lock with it; the event says what was what before.

    Raises Problems for fields that cannot be, Taken when the site has the opening number already, Stale when
    somebody saved in between.
    """
    work.require(Role.COUNTER, Role.BENCH)
    _check(form)
    with transaction(work.session):
        door = work.session.get(Door, door_id)
        if door is None:
            raise NotFound("door")
        if door.version != version:
            raise Stale()
        _refuse_taken(work, door.site_id, form.opening_number, door.id)
        before = said(door)
        _fill(door, form)
        changes = changed(before, said(door))
        if changes:
            flag_modified(door, "remarks")  # a change of the lock alone is a change of the door too
            record(
                work,
                "door changed",
                f"door {door.id}",
                f"Door {form.opening_number}: {in_words(changes)}",
                doors=for_event([DoorChange(door.id, version, door.opening_number, changes)]),
            )
        return door


def in_words(changes: Sequence[FieldChange]) -> str:
    """Changes of one door as a line of its story."""
    return "; ".join(f"{one.field} {one.old or 'none'} → {one.new or 'none'}" for one in changes)


def add_door(work: Work, site_id: int, form: DoorForm) -> Door:
    """Put a door of a site on record. Raises Problems, Taken for an opening number that the site has, NotFound."""
    work.require(Role.COUNTER, Role.BENCH)
    _check(form)
    with transaction(work.session):
        if work.session.get(Site, site_id) is None:
            raise NotFound("site")
        _refuse_taken(work, site_id, form.opening_number)
        door = Door(site_id=site_id)
        _fill(door, form)
        work.session.add(door)
        work.session.flush()
        record(work, "door added", f"door {door.id}", f"Door {door.opening_number} put on record")
        return door


def _refuse_taken(work: Work, site_id: int, opening_number: str, but: int = 0) -> None:
    same = sa.select(Door.id).where(Door.site_id == site_id, Door.opening_number == opening_number, Door.id != but)
    if work.session.scalar(same):
        raise Taken("opening_number", f"This site has an opening {opening_number} already.")


def _check(form: DoorForm) -> None:
    problems = [
        Problem(field, f"At most {limit} characters fit here.")
        for field, limit in _LIMITS.items()
        if len(getattr(form, field)) > limit
    ]
    if not form.opening_number.strip():
        problems.append(Problem("opening_number", "Enter the opening number."))
    if form.hand not in HANDS:
        problems.append(Problem("hand", "Choose LH, RH, LHR, RHR or none."))
    if form.function and not form.lock:
        problems.append(Problem("lock", "Say what lock it is; a function alone is not one."))
    if problems:
        raise Problems(problems)


def _fill(door: Door, form: DoorForm) -> None:
    door.opening_number, door.location, door.hand = form.opening_number, form.location, form.hand
    door.thickness, door.stile = form.thickness, form.stile
    door.is_egress, door.is_fire_rated, door.remarks = form.is_egress, form.is_fire_rated, form.remarks
    if door.lock is not None:
        door.lock.description, door.lock.function = form.lock, form.function
    elif form.lock:
        door.lock = Lock(description=form.lock, function=form.function)


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
