"""Doors of a site that may be one and the same: their numbers written differently, or one location; and merging."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.orm import Session
from sqlalchemy.orm.attributes import flag_modified

from app.errors import Problem, Problems
from app.ledger.sites.current_cylinders import standing
from app.ledger.sites.door_fields import LIMITS, DoorChange, changed, for_event, said
from app.ledger.sites.unmerging import MERGED
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound, Stale
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Door, Lock, Role


def number_key(opening: str) -> str:
    """What two ways of writing one opening number have in common: letters and digits, without leading zeros.

    >>> number_key("101A"), number_key("101-a"), number_key("0101 A"), number_key("1-01A")
    ('101a', '101a', '101a', '101a')
    """
    signs = "".join(sign for sign in opening.casefold() if sign.isalnum())
    return signs.lstrip("0") or signs or opening


@dataclass(frozen=True, slots=True)
class AlikeDoor:
    """A door in a group of doors that may be the same."""

    id: int
    version: int
    opening_number: str
    location: str
    lock: str
    cylinders: int


@dataclass(frozen=True, slots=True)
class AlikeGroup:
    """Doors that may be the same, and why."""

    why: str
    doors: tuple[AlikeDoor, ...]


def alike_numbers(session: Session, door: Door) -> tuple[str, ...]:
    """The other opening numbers of the door's site that may be the same, written differently."""
    rows = sa.select(Door.opening_number).where(Door.site_id == door.site_id, Door.id != door.id)
    wanted = number_key(door.opening_number)
    return tuple(sorted(number for number in session.scalars(rows) if number_key(number) == wanted))


def find_alike(session: Session, site_id: int) -> tuple[AlikeGroup, ...]:
    """A site's doors whose numbers differ only in writing, then those with one location: one query."""
    cylinders = sa.select(sa.func.count()).where(Cylinder.door_id == Door.id).scalar_subquery()
    rows = session.execute(
        sa.select(
            Door.id,
            Door.version,
            Door.opening_number,
            Door.location,
            sa.func.coalesce(Lock.description, ""),
            cylinders,
        )
        .outerjoin(Lock, Lock.door_id == Door.id)
        .where(Door.site_id == site_id)
        .order_by(sa.func.length(Door.opening_number), Door.opening_number)
    )
    doors = [AlikeDoor(*row) for row in rows]
    by_number = _groups(doors, lambda door: number_key(door.opening_number))
    by_place = _groups(doors, lambda door: " ".join(door.location.casefold().split()))
    return (
        *(AlikeGroup("one number, written differently", group) for group in by_number),
        *(AlikeGroup("one location", group) for group in by_place if group not in by_number),
    )


def _groups(doors: list[AlikeDoor], key: Callable[[AlikeDoor], str]) -> list[tuple[AlikeDoor, ...]]:
    found: dict[str, list[AlikeDoor]] = {}
    for door in doors:
        if key(door):
            found.setdefault(key(door), []).append(door)
    return [tuple(group) for group in found.values() if len(group) > 1]


def merge_doors(work: Work, kept: tuple[int, int], gone: tuple[int, int]) -> Door:
    """Make two doors of one site into one; each is given as (id, version read). The kept door.

    What the kept door does not say is filled from the other; a flag on either stays; the cylinders go over with
    their history; `undo_change` takes it back. LedgerError on `keep` where both have a cylinder at one position, or
    the sites differ; Stale.
    """
    work.require(Role.COUNTER, Role.BENCH)
    if kept[0] == gone[0]:
        raise LedgerError("keep", "Choose which of the doors stays; a door is not merged with itself.")
    with transaction(work.session):
        door, other = (_door(work, *one) for one in (kept, gone))
        if door.site_id != other.site_id:
            raise LedgerError("keep", "These doors are at different sites.")
        _refuse_collision(door, other)
        before, kept_before = said(other), said(door)
        moved = [cylinder.id for cylinder in other.cylinders]
        summary = f"Door {other.opening_number} merged into {door.opening_number}"
        _fill_from(door, other)
        for cylinder in list(other.cylinders):
            cylinder.door = door
        if other.lock is not None:
            work.session.delete(other.lock)
        flag_modified(door, "remarks")
        work.session.flush()
        gone_id = other.id
        work.session.expire(other)
        work.session.delete(other)
        filled = DoorChange(door.id, door.version, door.opening_number, changed(kept_before, said(door)))
        record(
            work,
            MERGED,
            f"site {door.site_id}",
            summary,
            kept=door.id,
            gone=gone_id,
            was=before,
            moved=moved,
            doors=for_event([filled]),
        )
        return door


def _door(work: Work, door_id: int, version: int) -> Door:
    door = work.session.get(Door, door_id)
    if door is None:
        raise NotFound("door")
    if door.version != version:
        raise Stale()
    return door


def _refuse_collision(door: Door, other: Door) -> None:
    taken = [{one.position for one in standing(each)} for each in (door, other)]
    problems = [
        Problem(
            "keep",
            f"Both {door.opening_number} and {other.opening_number} have a cylinder {position}. "
            "Take one out on its door's page first, or give one door another number.",
        )
        for position in sorted(taken[0] & taken[1])
    ]
    if problems:
        raise Problems(problems)


def _fill_from(door: Door, other: Door) -> None:
    for name in ("location", "hand", "thickness", "stile"):
        if not getattr(door, name):
            setattr(door, name, getattr(other, name))
    door.is_egress = door.is_egress or other.is_egress
    door.is_fire_rated = door.is_fire_rated or other.is_fire_rated
    if other.remarks and other.remarks not in door.remarks:
        door.remarks = "\n".join(filter(None, (door.remarks, other.remarks)))
        if len(door.remarks) > LIMITS["remarks"]:
            raise LedgerError("keep", "The remarks of both are too long for one door; shorten them first.")
    if other.lock is None:
        return
    if door.lock is None or not door.lock.description:
        door.lock = door.lock or Lock()
        door.lock.description, door.lock.function = other.lock.description, other.lock.function
    elif not door.lock.function:
        door.lock.function = other.lock.function
