"""Doors of a site that may be one and the same: found, merged, and a merge undone."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session
from sqlalchemy.orm.attributes import flag_modified

from app.errors import Problem, Problems
from app.ledger.sites.cylinders import standing
from app.ledger.sites.doors import BY_OPENING, DoorChange, changed, door_texts, for_event, set_texts
from app.ledger.store.engine import get_version, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Door, Event, Lock, Role, longest

_Found = sa.Row[*tuple[Any, ...]]


def number_key(opening: str) -> str:
    """What two ways of writing one opening number have in common: letters and digits, without leading zeros.

    >>> number_key("101A"), number_key("101-a"), number_key("0101 A"), number_key("1-01A")
    ('101a', '101a', '101a', '101a')
    """
    signs = "".join(sign for sign in opening.casefold() if sign.isalnum())
    return signs.lstrip("0") or signs or opening


@dataclass(frozen=True, slots=True)
class AlikeGroup:
    """Doors that may be the same, and why; each with `lock` and how many `cylinders` beside its own columns."""

    why: str
    doors: tuple[_Found, ...]


def alike_numbers(session: Session, door: Door) -> tuple[str, ...]:
    """The other opening numbers of the door's site that may be the same, written differently."""
    rows = sa.select(Door.opening_number).where(Door.site_id == door.site_id, Door.id != door.id)
    wanted = number_key(door.opening_number)
    return tuple(sorted(number for number in session.scalars(rows) if number_key(number) == wanted))


def find_alike(session: Session, site_id: int) -> tuple[AlikeGroup, ...]:
    """A site's doors whose numbers differ only in writing, then those with one location: one query."""
    cylinders = sa.select(sa.func.count()).where(Cylinder.door_id == Door.id).scalar_subquery()
    doors = session.execute(
        sa.select(
            Door.id,
            Door.version,
            Door.opening_number,
            Door.location,
            sa.func.coalesce(Lock.description, "").label("lock"),
            cylinders.label("cylinders"),
        )
        .outerjoin(Lock, Lock.door_id == Door.id)
        .where(Door.site_id == site_id)
        .order_by(*BY_OPENING)
    ).all()
    by_number = _groups(doors, lambda door: number_key(door.opening_number))
    by_place = _groups(doors, lambda door: " ".join(door.location.casefold().split()))
    return (
        *(AlikeGroup("one number, written differently", group) for group in by_number),
        *(AlikeGroup("one location", group) for group in by_place if group not in by_number),
    )


def _groups(doors: Sequence[_Found], key: Callable[[_Found], str]) -> list[tuple[_Found, ...]]:
    found: dict[str, list[_Found]] = {}
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
        door, other = (get_version(work.session, Door, one, "door", version) for one, version in (kept, gone))
        if door.site_id != other.site_id:
            raise LedgerError("keep", "These doors are at different sites.")
        _refuse_collision(door, other)
        before, kept_before = door_texts(other), door_texts(door)
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
        filled = DoorChange(door.id, door.version, door.opening_number, changed(kept_before, door_texts(door)))
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


def _refuse_collision(door: Door, other: Door) -> None:
    taken = [{one.position for one in standing(each)} for each in (door, other)]
    problems = [
        Problem(
            "keep",
            f"Both {door.opening_number} and {other.opening_number} have a cylinder {position}. "
            "Remove one on its door's page first, or give one door another number.",
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
        if len(door.remarks) > longest(Door.remarks):
            raise LedgerError("keep", "The remarks of both are too long for one door; shorten them first.")
    if other.lock is None:
        return
    if door.lock is None or not door.lock.description:
        door.lock = door.lock or Lock()
        door.lock.description, door.lock.function = other.lock.description, other.lock.function
    elif not door.lock.function:
        door.lock.function = other.lock.function


MERGED, UNMERGED = "doors merged", "merge taken back"


@dataclass(frozen=True, slots=True)
class ReturningDoor:
    """What taking a merge back puts on record again. `kept`: the door that stayed; `values`: the other door's fields
    as text; `cylinders`: those that go back to it."""

    door_id: int
    kept: Door
    values: Mapping[str, str]
    cylinders: tuple[Cylinder, ...]

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
        told.append(f"This merge was undone already; {values['opening']} is a door of its own again.")
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
    return ReturningDoor(int(event.detail["gone"]), kept, values, tuple(back))


def bring_back(session: Session, returning: ReturningDoor) -> Door:
    """Put the door on record again, under its old id where that is free, so that its own story goes on."""
    kept = returning.kept
    door = Door(site_id=kept.site_id)
    if session.get(Door, returning.door_id) is None:
        door.id = returning.door_id
    set_texts(door, returning.values)
    session.add(door)
    for cylinder in returning.cylinders:
        cylinder.door = door
    flag_modified(kept, "remarks")
    session.flush()
    return door
