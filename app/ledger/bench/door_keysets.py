"""The keysets of a door over the years: from when to when each hung there, by which job, and who did it."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.goods.hand_overs import PART_TAKEN
from app.ledger.goods.returns import GOODS_BACK
from app.ledger.goods.warranties import CAME_BACK
from app.ledger.jobs.construction import MADE_DEAD, NOT_DEAD
from app.ledger.keysystems.crosskeying import CROSS_KEYED, CROSS_KEYED_ANEW
from app.ledger.keysystems.lost_keysets import BITTING_CORRECTED
from app.ledger.keysystems.system_queries import operators_of
from app.ledger.keysystems.ticks import CheckOff, checked_off
from app.ledger.sites.cylinders import CYLINDER_ADDED, CYLINDER_TAKEN_OUT
from app.ledger.sites.door_history import DOOR_LIST_READ, merged_into, sites_of
from app.ledger.sites.door_queries import job_numbers
from app.ledger.store.events import STAGE_MOVED, moved_to
from app.ledger.tables import Cylinder, CylinderState, Door, Event, Keyset, Stage


@dataclass(frozen=True, slots=True)
class KeysetMoment:
    """When something about a door's keying became so, what, by whom, and by which job, None without one."""

    on: date
    what: str
    by: str
    job: int | None = None


@dataclass(frozen=True, slots=True)
class KeysetTime:
    """How long a cylinder hung on its door with its keyset, None where nobody wrote it down or it is not so yet.

    `changes`: what happened to its keying meanwhile, oldest first.
    """

    since: KeysetMoment | None
    until: KeysetMoment | None
    changes: tuple[KeysetMoment, ...]
    off: CheckOff


def door_keysets(session: Session, door: Door) -> dict[int, KeysetTime]:
    """Cylinder id → its time, of every cylinder that was ever on the door, doors merged into it included."""
    cylinders = list(door.cylinders)
    if not cylinders:
        return {}
    jobs = job_numbers(session, [one.job_id for one in cylinders])
    events = _events(session, door, cylinders, jobs)
    numbers = jobs | job_numbers(session, [event.job_id for event in events])
    offs: dict[int, CheckOff] = {}
    for job_id in jobs:
        offs |= checked_off(session, job_id)
    starts = {one.id: _start(one, events) for one in cylinders}
    found = {}
    for one in cylinders:
        since = starts[one.id]
        until = _end(one, events, since, cylinders, starts) if one.state is CylinderState.REMOVED else None
        meanwhile = [event for event in events if _is_between(event, since, until) and _changes(one, event)]
        found[one.id] = KeysetTime(
            _moment(since, numbers, _began(since), one.fitted_on),
            _moment(until, numbers, _ended(until), one.removed_on),
            tuple(_told(event, numbers, _became(event)) for event in meanwhile),
            offs.get(one.id, CheckOff()),
        )
    return found


def _events(session: Session, door: Door, cylinders: Sequence[Cylinder], jobs: Iterable[int]) -> Sequence[Event]:
    """All that may tell something, oldest first: two queries, besides those for doors that were merged."""
    systems = {f"key system {one.keyset.system_id}" for one in cylinders if one.keyset is not None}
    doors = [f"door {one}" for one in merged_into(session, door)]
    sites = [f"site {one}" for one in sites_of(session, door)]
    rows = sa.select(Event).where(
        sa.or_(
            sa.and_(
                Event.job_id.in_(list(jobs)),
                sa.or_(
                    Event.kind.in_((PART_TAKEN, GOODS_BACK, MADE_DEAD, NOT_DEAD)),
                    moved_to(Stage.HANDED_OVER),
                    moved_to(Stage.CANCELED),
                ),
            ),
            sa.and_(Event.subject.in_(doors), Event.kind.in_((CYLINDER_ADDED, CYLINDER_TAKEN_OUT, CAME_BACK))),
            sa.and_(Event.subject.in_(sites), Event.kind == DOOR_LIST_READ),
            sa.and_(Event.subject.in_(systems), Event.kind.in_((CROSS_KEYED, CROSS_KEYED_ANEW, BITTING_CORRECTED))),
        )
    )
    return session.scalars(rows.order_by(Event.id)).all()


def _start(cylinder: Cylinder, events: Sequence[Event]) -> Event | None:
    """When it came: handed over, found, or read from a door list."""
    for event in reversed(events):
        detail = event.detail
        if event.kind == CYLINDER_ADDED and _is_about(event, cylinder, "saved as found"):
            return event
        if event.kind == DOOR_LIST_READ and str(cylinder.id) in detail.get("cylinders", {}):
            return event
        if event.kind in (PART_TAKEN, STAGE_MOVED) and event.job_id == cylinder.job_id:
            # Of hand-overs of earlier releases nobody wrote down what went: then all of it.
            all_went = "cylinders" not in detail and not _is_cancel(event)
            if cylinder.id in detail.get("cylinders", ()) or all_went:
                return event
    return None


def _end(
    cylinder: Cylinder,
    events: Sequence[Event],
    since: Event | None,
    cylinders: Sequence[Cylinder],
    starts: dict[int, Event | None],
) -> Event | None:
    """When it was removed; where no event says so, when the next one came to its place."""
    for event in events:
        if event.kind == CYLINDER_TAKEN_OUT and _is_about(event, cylinder, ""):
            return event
        if cylinder.id in event.detail.get("removed", ()):
            return event
        if since is None and event.job_id == cylinder.job_id and event.job_id is not None and _is_cancel(event):
            return event
    after = (
        start
        for one in cylinders
        if (start := starts[one.id]) is not None
        and one.id != cylinder.id
        and one.position.casefold() == cylinder.position.casefold()
        and (since.id < start.id if since is not None else one.id > cylinder.id)
    )
    back = (event for event in reversed(events) if _came_back(event, cylinder))
    return min(after, key=lambda event: event.id, default=None) or next(back, None)


def _came_back(event: Event, cylinder: Cylinder) -> bool:
    return event.kind == CAME_BACK and bool(event.detail.get("cylinder") == cylinder.id)


def _is_about(event: Event, cylinder: Cylinder, ending: str) -> bool:
    """Whether an event of a door tells of this cylinder; those of earlier releases name it in words alone."""
    if "cylinder" in event.detail:
        return bool(event.detail["cylinder"] == cylinder.id)
    return event.summary.startswith(f"Cylinder {cylinder.position}: {cylinder.words} {ending}")


def _is_cancel(event: Event) -> bool:
    return event.kind == STAGE_MOVED and event.summary.partition(":")[0].endswith(f"→ {Stage.CANCELED.value}")


def _is_between(event: Event, since: Event | None, until: Event | None) -> bool:
    return (since is None or event.id > since.id) and (until is None or event.id < until.id)


def _changes(cylinder: Cylinder, event: Event) -> bool:
    """Whether an event changed who operates the cylinder, or the bitting of one who does."""
    if event.kind in (CROSS_KEYED, CROSS_KEYED_ANEW, CAME_BACK):
        return bool(event.detail.get("cylinder") == cylinder.id)
    if event.kind in (MADE_DEAD, NOT_DEAD):
        return cylinder.id in event.detail.get("cylinders", ())
    return event.kind == BITTING_CORRECTED and event.detail.get("keyset") in _operators(cylinder)


def _operators(cylinder: Cylinder) -> set[int]:
    if cylinder.keyset is None:
        return set()
    above: dict[int, Keyset] = {}
    step: Keyset | None = cylinder.keyset
    while step is not None:
        above[step.id] = step
        step = step.parent
    chain = operators_of(cylinder.keyset, is_nmk=cylinder.is_nmk, by_id=above)
    return {one.id for one in chain} | {one.keyset_id for one in cylinder.operators}


def _began(event: Event | None) -> str:
    if event is None:
        return "fitted"
    if event.kind in (PART_TAKEN, STAGE_MOVED):
        return "handed over"
    return "found there" if event.kind == CYLINDER_ADDED else "read from a list"


def _ended(event: Event | None) -> str:
    if event is None:
        return "removed"
    if event.kind in (CAME_BACK, GOODS_BACK):
        return "came back"
    if event.kind != CYLINDER_TAKEN_OUT:
        return "canceled" if _is_cancel(event) else "replaced"
    why = event.summary.rpartition("removed from the door")[2].removeprefix(": ")
    if "is not planned any more" in event.summary:
        return "not planned any more"
    return f"removed: {why}" if why else "removed"


def _became(event: Event) -> str:
    if event.kind in (MADE_DEAD, NOT_DEAD):
        return f"{event.detail.get('symbol', '')} {'made dead' if event.kind == MADE_DEAD else 'not dead after all'}"
    return f"bitting corrected, {event.summary}" if event.kind == BITTING_CORRECTED else event.summary


def _moment(event: Event | None, numbers: dict[int, int], what: str, day: date | None) -> KeysetMoment | None:
    """By the event; of what came from another house, whose doors' events did not come along, the day alone."""
    if event is not None:
        return _told(event, numbers, what)
    return KeysetMoment(day, what, "") if day else None


def _told(event: Event, numbers: dict[int, int], what: str) -> KeysetMoment:
    return KeysetMoment(event.at.astimezone().date(), what, event.actor_name, numbers.get(event.job_id or 0))
