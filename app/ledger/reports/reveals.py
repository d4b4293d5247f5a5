"""Who saw a bitting, and when: the events of reveals, of the whole house or of what opens one door."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from enum import StrEnum

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.errors import BitternError
from app.ledger.bench.customers_keys import DECODED
from app.ledger.bench.door_keysets import KeysetTime, door_keysets
from app.ledger.keysystems.lost_keysets import BITTING_CORRECTED
from app.ledger.reports.recall import ids_named
from app.ledger.sites.doors import BY_OPENING
from app.ledger.store.engine import Page, page_in, place_of_page
from app.ledger.store.events import BITTINGS_REVEALED
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Cylinder, Door, Event, Job, Key, KeySystem, Site
from app.pricing import show_day

MOST_DOORS = 20
_KINDS = (BITTINGS_REVEALED, DECODED, BITTING_CORRECTED)


class Shown(StrEnum):
    """Whether a reveal showed the bitting of a door's own key."""

    YES = "yes"
    NO = "no, others of its system"
    MAYBE = "not written down"


@dataclass(frozen=True, slots=True)
class RevealQuestion:
    """Which reveals are wanted; `door` is an opening number. only_own: without those of other keys than a door's."""

    door: str = ""
    site: str = ""
    customer: str = ""
    person: str = ""
    first: date | None = None
    last: date | None = None
    only_own: bool = False


@dataclass(frozen=True, slots=True)
class Reveal:
    """One reveal. door, site, keysets and shown: where a door was asked about; keysets: with from when to when."""

    at: datetime
    who: str
    what: str
    job_number: int | None
    door_id: int | None = None
    door: str = ""
    site_name: str = ""
    keysets: str = ""
    shown: Shown | None = None


def find_reveals(work: Work, question: RevealQuestion, page: int = 1, size: int = 50) -> Page[Reveal]:
    """Reveals, the newest first, for the owner: bench sheets, lists, keyset and cylinder pages, decoded keys, and
    corrections by hand. Of a door: those of every key system that it was ever keyed in.

    BitternError on `door` where too many doors are numbered so.
    """
    work.require_owner()
    session = work.session
    rows = sa.select(Event, Job.number).outerjoin(Job, Job.id == Event.job_id).order_by(Event.id.desc())
    conditions = _asked(question)
    if question.door:
        rows = rows.where(Event.kind.in_(_KINDS), *conditions)
        told = [one for door in _doors(session, question) for one in _of_door(session, door, rows)]
        kept = [one for one in told if not (question.only_own and one.shown is Shown.NO)]
        kept.sort(key=lambda one: one.at, reverse=True)
        return page_in(kept, page, size)
    if question.customer or question.site:
        conditions.append(Event.subject.in_(_subjects(_systems(session, question))))
    counted = sa.select(sa.func.count()).select_from(Event).where(Event.kind.in_(_KINDS), *conditions)
    count = session.scalar(counted) or 0
    page, pages = place_of_page(count, page, size)
    # Of each kind apart, so that its index gives the newest without a look at all events.
    newest = [
        sa.select(
            sa.select(Event.id)
            .where(Event.kind == kind, *conditions)
            .order_by(Event.id.desc())
            .limit(page * size)
            .subquery()
        )
        for kind in _KINDS
    ]
    shown = sa.union_all(*newest).subquery()
    rows = rows.join(shown, shown.c.id == Event.id).limit(size).offset((page - 1) * size)
    return Page([_reveal(event, number) for event, number in session.execute(rows)], count, page, pages)


def _asked(question: RevealQuestion) -> list[sa.ColumnElement[bool]]:
    found: list[sa.ColumnElement[bool]] = []
    if question.person:
        found.append(sa.func.lower(Event.actor_name) == question.person.lower())
    if question.first:
        found.append(Event.at >= datetime.combine(question.first, time()).astimezone())
    if question.last:
        found.append(Event.at <= datetime.combine(question.last, time.max).astimezone())
    return found


def _doors(session: Session, question: RevealQuestion) -> Sequence[Door]:
    rows = sa.select(Door).join(Site, Site.id == Door.site_id).join(Customer, Customer.id == Site.customer_id)
    rows = rows.where(sa.func.lower(Door.opening_number) == question.door.lower())
    if question.site:
        rows = rows.where(Site.id.in_(ids_named(session, Site, question.site)))
    if question.customer:
        rows = rows.where(Customer.id.in_(ids_named(session, Customer, question.customer)))
    rows = rows.options(joinedload(Door.site)).order_by(Customer.name, Site.name, *BY_OPENING, Door.id)
    found = session.scalars(rows.limit(MOST_DOORS + 1)).all()
    if len(found) > MOST_DOORS:
        told = f"More than {MOST_DOORS} doors are numbered so. Enter the site or the customer too."
        raise BitternError("door", told)
    return found


def _systems(session: Session, question: RevealQuestion) -> sa.Select[int]:
    rows = sa.select(KeySystem.id)
    if question.customer:
        rows = rows.join(Customer, Customer.id == KeySystem.customer_id)
        rows = rows.where(Customer.id.in_(ids_named(session, Customer, question.customer)))
    if question.site:
        rows = rows.join(Site, Site.id == KeySystem.site_id).where(
            Site.id.in_(ids_named(session, Site, question.site))
        )
    return rows


def _subjects(systems: sa.Select[int]) -> sa.Select[str]:
    ids = systems.subquery()
    return sa.select(sa.literal("key system ", sa.String).op("||")(sa.cast(ids.c.id, sa.String)))


def _of_door(session: Session, door: Door, rows: sa.Select[Event, int]) -> list[Reveal]:
    """What was revealed of the systems that a door was ever keyed in, and of keys decoded for it."""
    keyed = [one for one in door.cylinders if one.keyset is not None]
    keysets = {one.keyset.id: one.keyset for one in keyed if one.keyset}
    if not keysets:
        return []
    own = sa.select(Cylinder.job_id).where(Cylinder.keyset_id.in_(keysets), Cylinder.job_id.is_not(None))
    cut = sa.select(Key.job_id).where(Key.keyset_id.in_(keysets), Key.job_id.is_not(None))
    jobs = {one for one in session.scalars(own.union(cut)) if one is not None}
    subjects = {f"key system {one.system_id}": one.system_id for one in keysets.values()}
    subjects |= {f"keyway {one.system.keyway}": 0 for one in keysets.values()}
    decoded = sa.and_(Event.kind == DECODED, Event.job_id.in_(jobs))
    times = door_keysets(session, door)
    found = []
    for event, number in session.execute(rows.where(sa.or_(Event.subject.in_(subjects), decoded))):
        system = subjects.get(event.subject, 0)
        mine = [one for one in keyed if one.keyset and system in (0, one.keyset.system_id)]
        found.append(
            _reveal(
                event,
                number,
                door=door,
                keysets="; ".join(dict.fromkeys(_hung(one, times[one.id]) for one in mine)),
                shown=_shown(event, [one for one in mine if one.keyset], jobs),
            )
        )
    return found


def _hung(cylinder: Cylinder, spent: KeysetTime) -> str:
    """The keyset, and from when to when it hung there: "AA1, Saturday 2 March 2024 to …"."""
    symbol = cylinder.keyset.symbol if cylinder.keyset else ""
    if spent.since is None and spent.until is None:
        return symbol
    days = [show_day(moment.on) if moment else "" for moment in (spent.since, spent.until)]
    return f"{symbol}, {days[0]} to {days[1]}" if days[1] else f"{symbol}, since {days[0]}"


def _shown(event: Event, cylinders: Sequence[Cylinder], jobs: set[int]) -> Shown:
    symbols = {one.keyset.symbol for one in cylinders if one.keyset}
    if event.kind == BITTING_CORRECTED:
        return Shown.YES if event.summary.partition(" of ")[0] in symbols else Shown.NO
    if event.kind == DECODED:
        return Shown.YES if any(f"key of {symbol} was" in event.summary for symbol in symbols) else Shown.NO
    _, was_shown, purpose = event.summary.partition(f" shown to {event.actor_name}: ")
    if not was_shown:  # a key that was decoded, a list that was studied
        return Shown.MAYBE
    what, _, rest = purpose.partition(" ")
    if purpose == "bitting list":
        return Shown.YES
    if what == "keyset":
        return Shown.YES if rest in symbols else Shown.NO
    if what == "cylinder":
        number, _, keyset = rest.partition(", ")
        is_here = number in {str(one.id) for one in cylinders}
        return Shown.YES if is_here or keyset.split(",")[0].split(" ")[0] in symbols else Shown.NO
    if purpose.startswith("bench sheet"):
        return Shown.YES if event.job_id in jobs else Shown.NO
    return Shown.MAYBE


def _reveal(
    event: Event, number: int | None, *, door: Door | None = None, keysets: str = "", shown: Shown | None = None
) -> Reveal:
    return Reveal(
        event.at,
        event.actor_name,
        event.summary,
        number,
        door.id if door else None,
        door.opening_number if door else "",
        door.site.name if door else "",
        keysets,
        shown,
    )
