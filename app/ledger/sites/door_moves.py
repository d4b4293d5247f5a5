"""Doors moved to another site of their customer, with all that hangs on them; the move undone."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problem, Problems
from app.ledger.sites.carrying import owned_rows
from app.ledger.sites.customers import SiteForm, insert_site
from app.ledger.sites.doors import BY_OPENING
from app.ledger.store.engine import get_row, transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import event_of_kind, is_undone, record
from app.ledger.store.work import Work
from app.ledger.tables import LATE_STAGES, Cylinder, CylinderState, Door, Event, FormerName, Job, Role, Site, longest
from app.validation import counted, fault_of_length

DOORS_MOVED, DOORS_CAME, MOVE_UNDONE = "doors moved", "doors came", "move of doors undone"
DOORS_PARTED = "doors parted"
"""Said of the site that they left, of the one where they came, and of both when they went back."""


@dataclass(frozen=True, slots=True)
class DoorMove:
    """One door that moves: its number now and there; `clash`: why it cannot be that, "" where it can."""

    door: Door
    number: str
    clash: str = ""


@dataclass(frozen=True, slots=True)
class MovePlan:
    """Which doors go where; to: None where the site is new, named `site_name`. jobs: under way on these doors."""

    site: Site
    to: Site | None
    site_name: str
    moves: tuple[DoorMove, ...]
    jobs: tuple[int, ...]

    @property
    def seen(self) -> list[tuple[int, int]]:
        """Door and version, as they are shown."""
        return [(one.door.id, one.door.version) for one in self.moves]

    @property
    def problems(self) -> list[Problem]:
        """The clashes, each on its door's row."""
        return [Problem(f"number-{one.door.id}", one.clash) for one in self.moves if one.clash]


def plan_moves(
    session: Session, site_id: int, door_ids: Sequence[int], to_id: int, site_name: str, numbers: Mapping[int, str]
) -> MovePlan:
    """What moving these doors of a site would do; `numbers`: door → the number it gets there, its own without.

    to_id: a site of the same customer, 0 for a new one named `site_name`. LedgerError on `doors`, `to`, `site_name`.
    """
    site = get_row(session, Site, site_id, "site")
    doors = doors_of(session, site_id, door_ids)
    to = session.get(Site, to_id) if to_id else None
    name = " ".join(site_name.split())
    if to is None and not name:
        raise LedgerError("to", "Choose the site where the doors go, or enter a new one's name.")
    if to is not None and (to.customer_id != site.customer_id or to.merged_into_id is not None):
        raise LedgerError("to", "This site is none of the same customer: split the customer to part its doors.")
    if to is not None and to.id == site.id:
        raise LedgerError("to", "The doors are at this site already; choose another.")
    if fault := fault_of_length(name, longest(Site.name)):
        raise LedgerError("site_name", fault)
    return MovePlan(
        site, to, to.name if to else name, plan_numbers(session, doors, to, numbers), _under_way(session, doors)
    )


def doors_of(session: Session, site_id: int, door_ids: Iterable[int]) -> list[Door]:
    """These doors of a site, by opening number; LedgerError on `doors`."""
    wanted = set(door_ids)
    if not wanted:
        raise LedgerError("doors", "Choose the doors first.")
    rows = sa.select(Door).where(Door.site_id == site_id).order_by(*BY_OPENING)
    doors = [door for door in session.scalars(rows) if door.id in wanted]
    if len(doors) < len(wanted):
        raise LedgerError("doors", "One of these doors is not on record at this site any more; choose again.")
    return doors


def plan_numbers(
    session: Session, doors: Sequence[Door], to: Site | None, numbers: Mapping[int, str]
) -> tuple[DoorMove, ...]:
    """The number that each door gets at a site, and where it clashes with one there or with another that comes."""
    there = set(session.scalars(sa.select(Door.opening_number).where(Door.site_id == to.id))) if to else set()
    moves, taken = [], set(there)
    for door in doors:
        number = " ".join(numbers.get(door.id, "").split()) or door.opening_number
        clash = fault_of_length(number, longest(Door.opening_number)) or ""
        if not clash and number in taken:
            whose = f"{to.name} has" if to and number in there else "another of these doors gets"
            clash = f"{whose} an opening {number} already: enter another number for this door."
            clash = clash[0].upper() + clash[1:]
        taken.add(number)
        moves.append(DoorMove(door, number, clash))
    return tuple(moves)


def _under_way(session: Session, doors: Sequence[Door]) -> tuple[int, ...]:
    ids = {door.id for door in doors}
    rows = (
        sa.select(Cylinder.door_id, Job.number)
        .join(Job, Job.id == Cylinder.job_id)
        .where(Job.stage.in_(LATE_STAGES), Cylinder.state != CylinderState.REMOVED, Cylinder.door_id.is_not(None))
    )
    site_ids = {door.site_id for door in doors}
    rows = rows.join(Door, Door.id == Cylinder.door_id).where(Door.site_id.in_(site_ids))
    return tuple(sorted({number for door_id, number in session.execute(rows) if door_id in ids}))


def move_doors(
    work: Work, site_id: int, seen: Mapping[int, int], to_id: int, site_name: str, numbers: Mapping[int, str]
) -> Site:
    """Move the doors in `seen` (id → version read) to another site of their customer; the site where they are now.

    Cylinders, keysets and history hang on the doors and go with them. Problems by row on `number-ID`, Stale, and as
    `plan_moves`; then none has moved.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        plan = plan_moves(work.session, site_id, list(seen), to_id, site_name, numbers)
        if dict(plan.seen) != dict(seen):
            raise Stale("Somebody changed these doors while you were choosing. Nothing was saved; look again.")
        if plan.problems:
            raise Problems(plan.problems)
        to = plan.to or insert_site(work, plan.site.customer_id, SiteForm(plan.site_name))
        summary = f"{counted(len(plan.moves), 'door')} moved from {plan.site.name} to {to.name}"
        put_doors(work, plan.moves, plan.site, to, summary, is_new=plan.to is None)
        return to


def put_doors(
    work: Work,
    moves: Sequence[DoorMove],
    site: Site,
    to: Site,
    summary: str,
    *,
    is_new: bool = False,
    is_split: bool = False,
) -> None:
    """Put doors at another site, inside the caller's transaction; an event of either site tells it.

    is_split: they go to another customer, by what is undone as a whole.
    """
    told = {
        str(one.door.id): {"site": [site.name, to.name]}
        | ({"opening": [one.door.opening_number, one.number]} if one.number != one.door.opening_number else {})
        for one in moves
    }
    number_doors(work.session, {one.door: one.number for one in moves}, to)
    detail: dict[str, Any] = {"doors": told, "from": site.id, "to": to.id}
    kind = DOORS_PARTED if is_split else DOORS_MOVED
    record(work, kind, f"site {site.id}", summary[:1000], **detail, made=is_new)
    record(work, DOORS_CAME, f"site {to.id}", summary[:1000], **detail)


def number_doors(session: Session, numbers: Mapping[Door, str], to: Site) -> None:
    """Put doors at a site under these numbers. First under none that any has: two may change theirs."""
    for door in numbers:
        door.opening_number = f"moving {door.id}"
    session.flush()
    for door, number in numbers.items():
        door.site_id, door.opening_number = to.id, number
    session.flush()


@dataclass(frozen=True, slots=True)
class MoveUndoPlan:
    """What undoing a move does: the doors that go back, from where to where. why_not: sentences, where it cannot."""

    event: Event
    site: Site
    to: Site
    moves: tuple[DoorMove, ...]
    why_not: tuple[str, ...]

    @property
    def seen(self) -> list[tuple[int, int]]:
        """Door and version, as they are shown."""
        return [(one.door.id, one.door.version) for one in self.moves]


def plan_move_undo(session: Session, event_id: int) -> MoveUndoPlan:
    """What taking back a move of doors would do; `why_not` where something has grown on it since. NotFound."""
    event = event_of_kind(session, event_id, (DOORS_MOVED,), "move of doors")
    site, to = (get_row(session, Site, event.detail[one], "site") for one in ("from", "to"))
    told: Mapping[str, Mapping[str, Sequence[str]]] = event.detail["doors"]
    rows = sa.select(Door).where(Door.site_id == to.id).order_by(*BY_OPENING)
    here = [door for door in session.scalars(rows) if str(door.id) in told]
    why_not = []
    if is_undone(session, event, MOVE_UNDONE):
        why_not.append("This move was undone already.")
    elif len(here) < len(told):
        left = len(told) - len(here)
        why_not.append(
            f"{counted(left, 'door')} of this move went on to another site, or became part of another door."
        )
    if site.merged_into_id is not None:
        why_not.append(f"{site.name} was merged into another site since; undo that first.")
    # What says nothing of the number is as it was: a number that was changed here since stays.
    back = {
        door.id: told[str(door.id)]["opening"][0]
        for door in here
        if "opening" in told[str(door.id)] and door.opening_number == told[str(door.id)]["opening"][1]
    }
    moves = plan_numbers(session, here, site, back)
    why_not += [one.clash for one in moves if one.clash]
    why_not += _jobs_since(session, event, here, to)
    return MoveUndoPlan(event, site, to, moves, tuple(why_not))


def _jobs_since(session: Session, event: Event, doors: Sequence[Door], at: Site) -> list[str]:
    """Jobs for the site where they came that have cylinders on these doors: their papers name that site."""
    ids = {door.id: door.opening_number for door in doors}
    rows = (
        sa.select(Cylinder.door_id, Job.number)
        .join(Job, Job.id == Cylinder.job_id)
        .join(Event, sa.and_(Event.job_id == Job.id, Event.kind == "job opened", Event.id > event.id))
        .where(Job.site_id == at.id, Cylinder.door_id.is_not(None))
        .order_by(Job.number)
    )
    numbers = dict.fromkeys(number for door_id, number in session.execute(rows) if door_id in ids)
    return [f"Job {number} was opened for {at.name} since and has cylinders on these doors." for number in numbers]


def undo_move(work: Work, event_id: int, seen: Mapping[int, int]) -> int:
    """Put the doors of a move back where they were; how many. A site that was made for them goes where it is empty.

    LedgerError with why it cannot be; Stale.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        plan = plan_move_undo(work.session, event_id)
        if plan.why_not:
            raise LedgerError("", " ".join(plan.why_not))
        if dict(plan.seen) != dict(seen):
            raise Stale("Somebody changed these doors since this was shown. Nothing was saved; look again.")
        number_doors(work.session, {one.door: one.number for one in plan.moves}, plan.site)
        said = f"Undone: {plan.event.summary}"[:1000]
        detail = {"doors": plan.event.detail["doors"], "from": plan.to.id, "to": plan.site.id, "undoes": event_id}
        record(work, MOVE_UNDONE, f"site {plan.site.id}", said, **detail)
        if plan.event.detail["made"] and is_empty(work.session, plan.to):
            work.session.delete(plan.to)
        return len(plan.moves)


def is_empty(session: Session, site: Site) -> bool:
    """Whether nothing points to a site: no door, job or key system, and none was merged into it."""
    had_others = sa.select(FormerName.id).where(FormerName.site_id == site.id).limit(1)
    return not owned_rows(session, Site, site.id) and session.scalar(had_others) is None
