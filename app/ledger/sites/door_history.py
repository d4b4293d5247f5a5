"""What was changed on a site's doors, and taking such a change back."""

from collections.abc import Mapping
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload, selectinload

from app.ledger.sites.door_moves import DOORS_CAME, DOORS_MOVED, DOORS_PARTED, MOVE_UNDONE
from app.ledger.sites.doors import DoorChange, door_texts, for_event
from app.ledger.sites.duplicate_doors import MERGED, UNMERGED, ReturningDoor, bring_back, taken_back, what_returns
from app.ledger.sites.site_merging import SITE_UNMERGED, SITES_MERGED
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound, Stale
from app.ledger.store.events import event_of_kind, hidden_kinds, record
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Door, Event, Role
from app.validation import counted

DOORS_PLANNED, DOOR_LIST_READ = "doors planned", "door list read"
SITE_KINDS = (
    *(DOOR_LIST_READ, "doors changed together", MERGED, "change undone", UNMERGED, DOORS_PLANNED),
    *(DOORS_MOVED, DOORS_PARTED, DOORS_CAME, MOVE_UNDONE, SITES_MERGED, SITE_UNMERGED),
)
UNDOABLE = (DOOR_LIST_READ, "doors changed together", "door changed", MERGED, "change undone")


@dataclass(frozen=True, slots=True)
class UndoPlan:
    """What taking a change back would do. `kept`: sentences about what was changed again since, and so stays;
    `removed` and `cylinders`: what the change put on record and that goes; `returning`: the door that a merge took
    away and that comes back."""

    event: Event
    changes: tuple[DoorChange, ...]
    removed: tuple[Door, ...]
    kept: tuple[str, ...]
    cylinders: tuple[Cylinder, ...] = ()
    returning: ReturningDoor | None = None

    @property
    def seen(self) -> dict[int, int]:
        """Door id → version, of every door that it touches."""
        doors = [*self.removed, *(one.door for one in self.cylinders if one.door)]
        doors += [self.returning.kept] if self.returning else []
        return {change.door_id: change.version for change in self.changes} | {one.id: one.version for one in doors}


def site_story(session: Session, site_id: int, limit: int = 50) -> tuple[Event, ...]:
    """What happened to a site's doors together, newest first."""
    rows = sa.select(Event).where(Event.subject == f"site {site_id}", Event.kind.in_(SITE_KINDS))
    return tuple(session.scalars(rows.order_by(Event.id.desc()).limit(limit)))


def newest_change(session: Session, site_id: int, role: Role) -> Event | None:
    """What happened last to a site's doors, together or to one alone, as far as this role may see it."""
    own = sa.select(sa.literal("door ").op("||")(sa.cast(Door.id, sa.String))).where(Door.site_id == site_id)
    of_site = sa.or_(Event.subject == f"site {site_id}", Event.subject.in_(own))
    rows = sa.select(Event).where(of_site, Event.kind.not_in(hidden_kinds(role)))
    return session.scalar(rows.order_by(Event.id.desc()).limit(1))


def door_story(session: Session, door: Door) -> tuple[Event, ...]:
    """What happened to one door, alone or with others, newest first; among the last 50 of each kind.

    The story of a door that was merged into it is its story too.
    """
    ids = merged_into(session, door)
    subjects = [f"door {one}" for one in ids]
    own = sa.select(Event).where(Event.subject.in_(subjects)).order_by(Event.id.desc()).limit(50)
    told = {
        (event.at, event.summary): event  # a move is told at either site, here once
        for site_id in sites_of(session, door)
        for event in site_story(session, site_id, 50)
        if not ids.isdisjoint(_doors_in(event))
    }
    all_of_it = (*told.values(), *session.scalars(own))
    return tuple(sorted(all_of_it, key=lambda event: event.id, reverse=True)[:50])


def sites_of(session: Session, door: Door) -> list[int]:
    """The sites where a door is and was, so that what happened to it there is its story too; the newest first."""
    sites = [door.site_id]
    for site_id in sites:  # it grows while it is walked
        came = sa.select(Event).where(Event.subject == f"site {site_id}", Event.kind.in_((DOORS_CAME, MOVE_UNDONE)))
        for event in session.scalars(came.order_by(Event.id.desc())):
            if str(door.id) in event.detail["doors"] and event.detail["from"] not in sites:
                sites.append(event.detail["from"])
    return sites


def merged_into(session: Session, door: Door) -> set[int]:
    """The door's own id, and those of the doors that became this one and are no door of their own again."""
    sites = sites_of(session, door)
    subjects = [f"site {one}" for one in sites]
    rows = sa.select(Event).where(Event.subject.in_(subjects), Event.kind == MERGED)
    ids, parted = {door.id}, {event_id for one in sites for event_id in taken_back(session, one)}
    for event in session.scalars(rows.order_by(Event.id.desc())):  # newest first: what went into one that went
        if event.detail.get("kept") in ids and event.id not in parted:
            ids.add(int(event.detail["gone"]))
    return ids


def _doors_in(event: Event) -> set[int]:
    detail = event.detail
    if event.kind in (SITES_MERGED, SITE_UNMERGED):  # it names sites; their doors' own event stands beside it
        return set()
    cylinders = detail.get("cylinders", {})
    merged = {int(detail[name]) for name in ("kept", "gone") if name in detail}
    told = {int(one) for one in detail.get("doors", {})}
    return told | set(detail.get("added", ())) | set(cylinders.values()) | merged


def plan_undo(session: Session, site_id: int, event_id: int) -> UndoPlan:
    """What taking back one change of this site's doors would do; a field changed again since is left. NotFound."""
    event = event_of_kind(session, event_id, UNDOABLE, "change of doors")
    told: Mapping[str, Mapping[str, list[str]]] = event.detail.get("doors", {})
    added = set(event.detail.get("added", ()))
    hung: Mapping[str, int] = event.detail.get("cylinders", {})
    doors = _doors(session, site_id, _doors_in(event))
    if event.subject != f"site {site_id}" and not doors:
        raise NotFound("change of doors")
    changes: list[DoorChange] = []
    kept: list[str] = []
    returning = None
    if event.kind == MERGED:
        returning = what_returns(session, event, doors.get(int(event.detail["kept"])), kept)
        told = told if returning else {}
    for word, fields in told.items():
        door = doors.get(int(word))
        if door is None:
            kept.append("A door of this change is not on record any more.")
            continue
        now = door_texts(door)
        since = [name for name, (_, new) in fields.items() if now[name] != new]
        kept += [
            f"{door.opening_number}, {name}: changed since to {now[name] or 'none'}; it stays." for name in since
        ]
        back = {name: (new, old) for name, (old, new) in fields.items() if name not in since}
        if back:
            changes.append(DoorChange(door.id, door.version, door.opening_number, back))
    going = _going(doors, {int(one) for one in hung}, kept)
    removed = []
    for door in (doors[one] for one in sorted(added) if one in doors):
        if any(one not in going for one in door.cylinders) or door.version > 1:
            kept.append(f"{door.opening_number} was changed or given cylinders since it was added; it stays.")
        else:
            removed.append(door)
    return UndoPlan(event, tuple(changes), tuple(removed), tuple(kept), tuple(going), returning)


def _going(doors: Mapping[int, Door], hung: set[int], kept: list[str]) -> list[Cylinder]:
    """Which of the cylinders that a change put on these doors nobody has touched since; the others are told."""
    there = [(door, one) for door in doors.values() for one in door.cylinders if one.id in hung]
    going = [(door, one) for door, one in there if one.version == 1 and not one.operators]
    kept += [
        f"{door.opening_number}, {one.position}: the cylinder was changed since it was added; it stays."
        for door, one in there
        if (door, one) not in going
    ]
    return [one for _, one in going]


def _doors(session: Session, site_id: int, wanted: set[int]) -> dict[int, Door]:
    rows = sa.select(Door).where(Door.site_id == site_id).order_by(Door.id)
    loaded = (joinedload(Door.lock), selectinload(Door.cylinders).selectinload(Cylinder.operators))
    return {door.id: door for door in session.scalars(rows.options(*loaded)) if door.id in wanted}


def undo_change(work: Work, site_id: int, event_id: int, seen: Mapping[int, int]) -> int:
    """Take back one change of a site's doors; how many doors it touched. The history keeps both.

    `seen`: door id → version, as the plan showed; Stale when somebody saved one in between, LedgerError when there
    is nothing left to take back.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        plan = plan_undo(work.session, site_id, event_id)
        if plan.seen != dict(seen):
            raise Stale("Somebody changed these doors since this was shown. Nothing was saved; look again.")
        if not plan.seen:
            raise LedgerError("", "Everything in this change was changed again since; there is nothing to undo.")
        count = len(plan.seen) + (plan.returning is not None)
        detail = {"kept": plan.returning.kept.id, "gone": plan.returning.door_id} if plan.returning else {}
        _refuse_taken(work.session, site_id, plan)
        for change in plan.changes:
            change.apply(work.session.get_one(Door, change.door_id))
        for cylinder in plan.cylinders:
            work.session.delete(cylinder)
        work.session.flush()
        work.session.expire_all()
        for door in plan.removed:
            if door.lock is not None:
                work.session.delete(door.lock)
            work.session.delete(door)
        work.session.flush()
        if plan.returning is not None:
            bring_back(work.session, plan.returning)
        record(
            work,
            UNMERGED if plan.returning else "change undone",
            f"site {site_id}",
            f"Undone on {counted(count, 'door')}: {plan.event.summary}"[:1000],
            doors=for_event(plan.changes),
            undoes=event_id,
            **detail,
        )
        return count


def _refuse_taken(session: Session, site_id: int, plan: UndoPlan) -> None:
    back = {one.fields["opening"][1]: one.door_id for one in plan.changes if "opening" in one.fields}
    gone = {door.id for door in plan.removed}
    rows = sa.select(Door.opening_number, Door.id).where(Door.site_id == site_id)
    for opening, door_id in session.execute(rows):
        if opening in back and door_id != back[opening] and door_id not in gone:
            raise LedgerError("", f"Another door is {opening} by now; give that one another number first.")
