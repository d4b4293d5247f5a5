"""Two sites of a customer that are one, with all that hangs on either; and the merge undone."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problem, Problems
from app.ledger.sites.carrying import carry, gone_astray, owned_rows
from app.ledger.sites.door_moves import DOORS_CAME, DoorMove, number_doors, plan_numbers
from app.ledger.sites.doors import BY_OPENING
from app.ledger.store.engine import get_row, get_version, transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import event_of_kind, is_undone, record
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Door, Event, Job, KeySystem, Site
from app.validation import counted

SITES_MERGED, SITE_UNMERGED = "sites merged", "merge of sites undone"
_DOORS = str(Door.__table__.c.site_id)


@dataclass(frozen=True, slots=True)
class SiteHoldings:
    """How much hangs on a site."""

    doors: int
    jobs: int
    systems: int

    def __add__(self, other: "SiteHoldings") -> "SiteHoldings":
        return SiteHoldings(self.doors + other.doors, self.jobs + other.jobs, self.systems + other.systems)


def site_holdings(session: Session, site_id: int) -> SiteHoldings:
    """The doors, jobs and key systems of a site: three queries."""
    counts = (
        session.scalar(sa.select(sa.func.count()).select_from(table).where(table.site_id == site_id)) or 0
        for table in (Door, Job, KeySystem)
    )
    return SiteHoldings(*counts)


@dataclass(frozen=True, slots=True)
class SiteMergePlan:
    """Two sites before, and the one after: `moves` are the doors of the one that goes."""

    kept: Site
    gone: Site
    before: tuple[SiteHoldings, SiteHoldings]
    moves: tuple[DoorMove, ...]

    @property
    def after(self) -> SiteHoldings:
        """What hangs on the one that stays, then."""
        return self.before[0] + self.before[1]

    @property
    def clashes(self) -> tuple[DoorMove, ...]:
        """The doors whose numbers the site has already."""
        return tuple(one for one in self.moves if one.clash)


def plan_site_merge(session: Session, kept_id: int, gone_id: int, numbers: Mapping[int, str]) -> SiteMergePlan:
    """What making two sites one would do; `numbers`: door → the number that it gets. LedgerError on `gone`."""
    kept, gone = (get_row(session, Site, one, "site") for one in (kept_id, gone_id))
    if kept.id == gone.id or kept.customer_id != gone.customer_id:
        raise LedgerError("gone", "Choose another site of the same customer.")
    for one in (kept, gone):
        if one.merged_into_id is not None:
            raise LedgerError("gone", f"{one.name} was merged into another site already.")
    rows = sa.select(Door).where(Door.site_id == gone.id).order_by(*BY_OPENING)
    moves = plan_numbers(session, session.scalars(rows).all(), kept, numbers)
    before = site_holdings(session, kept.id), site_holdings(session, gone.id)
    return SiteMergePlan(kept, gone, before, moves)


def merge_sites(work: Work, kept: tuple[int, int], gone: tuple[int, int], numbers: Mapping[int, str]) -> Site:
    """Make two sites of a customer one, each given as (id, version read); owner only. The site that stays.

    Doors, jobs and key systems go over; the other site's name stays on record as a former one. Problems by door on
    `number-ID`, LedgerError on `gone`, Stale.
    """
    work.require_owner()
    with transaction(work.session):
        for one, version in (kept, gone):
            get_version(work.session, Site, one, "site", version)
        plan = plan_site_merge(work.session, kept[0], gone[0], numbers)
        if plan.clashes:
            raise Problems([Problem(f"number-{one.door.id}", one.clash) for one in plan.clashes])
        numbered = {
            str(one.door.id): [one.door.opening_number, one.number]
            for one in plan.moves
            if one.number != one.door.opening_number
        }
        moved = owned_rows(work.session, Site, plan.gone.id)
        number_doors(work.session, {one.door: one.number for one in plan.moves}, plan.kept)
        carry(work.session, Site, {name: ids for name, ids in moved.items() if name != _DOORS}, plan.kept.id)
        plan.gone.merged_into_id = plan.kept.id
        summary = f"Site {plan.gone.name} merged into {plan.kept.name}: {_words(plan.before[1])}"
        detail: dict[str, Any] = {"kept": plan.kept.id, "gone": plan.gone.id, "moved": moved, "numbered": numbered}
        record(work, SITES_MERGED, f"site {plan.kept.id}", summary, **detail)
        _tell_doors(work, moved, plan.gone, plan.kept, "sites merged")
        return plan.kept


def _tell_doors(work: Work, moved: Mapping[str, Sequence[int]], left: Site, at: Site, why: str) -> None:
    """Have each door's story go on at the site where it is now."""
    told = {str(one): {"site": [left.name, at.name]} for one in moved.get(_DOORS, ())}
    if told:
        detail: dict[str, Any] = {"doors": told, "from": left.id, "to": at.id}
        record(work, DOORS_CAME, f"site {at.id}", f"{counted(len(told), 'door')} from {left.name}: {why}", **detail)


def _words(held: SiteHoldings) -> str:
    systems = counted(held.systems, "key system")
    return f"{counted(held.doors, 'door')}, {counted(held.jobs, 'job')}, {systems}"


@dataclass(frozen=True, slots=True)
class SiteUndoPlan:
    """What undoing a merge of sites does: the doors that go back. why_not: sentences, where it cannot be undone."""

    event: Event
    kept: Site
    gone: Site
    before: SiteHoldings
    moves: tuple[DoorMove, ...]
    back: SiteHoldings
    why_not: tuple[str, ...]


def plan_site_undo(session: Session, event_id: int) -> SiteUndoPlan:
    """What taking back a merge of sites would do; `why_not` where something has grown on it since. NotFound."""
    event = event_of_kind(session, event_id, (SITES_MERGED,), "merge of sites")
    kept, gone = (get_row(session, Site, event.detail[one], "site") for one in ("kept", "gone"))
    moved: Mapping[str, Sequence[int]] = event.detail["moved"]
    ids = set(moved.get(_DOORS, ()))
    why_not = []
    if gone.merged_into_id != kept.id or is_undone(session, event, SITE_UNMERGED):
        why_not.append("This merge was undone already, or became part of a later one: undo that first.")
    if kept.merged_into_id is not None:
        why_not.append(f"{kept.name} was merged into another site since: undo that first.")
    if kept.customer_id != gone.customer_id:
        why_not.append(f"{kept.name} went to another customer since: undo that first.")
    if astray := gone_astray(session, Site, moved, kept.id):
        why_not.append(f"{counted(len(astray), 'record')} of it went elsewhere since: {', '.join(astray[:6])}.")
    rows = sa.select(Door).where(Door.site_id == kept.id).order_by(*BY_OPENING)
    here = [door for door in session.scalars(rows) if door.id in ids]
    numbered: Mapping[str, Sequence[str]] = event.detail["numbered"]
    back = {
        door.id: numbered[str(door.id)][0]
        for door in here
        if str(door.id) in numbered and door.opening_number == numbered[str(door.id)][1]
    }
    moves = plan_numbers(session, here, gone, back)
    why_not += [one.clash for one in moves if one.clash]
    why_not += _grown(session, kept, ids, set(moved.get("jobs.site_id", ())))
    counts = (len(moved.get(name, ())) for name in (_DOORS, "jobs.site_id", "key_systems.site_id"))
    held = site_holdings(session, kept.id)
    return SiteUndoPlan(event, kept, gone, held, moves, SiteHoldings(*counts), tuple(why_not))


def _grown(session: Session, kept: Site, doors: set[int], jobs: set[int]) -> list[str]:
    """What was sold since for the site that stays on doors that would go back, and the other way round."""
    rows = (
        sa.select(Job.id, Job.number, Cylinder.door_id, Door.opening_number)
        .join(Cylinder, Cylinder.job_id == Job.id)
        .join(Door, Door.id == Cylinder.door_id)
        .where(Job.site_id == kept.id, Door.site_id == kept.id)
        .order_by(Job.number, Door.opening_number)
    )
    found: dict[int, str] = {}
    for job_id, number, door_id, opening in session.execute(rows):
        if (door_id in doors) != (job_id in jobs):
            found.setdefault(number, f"Job {number} has grown on it since: it brings a cylinder to {opening}.")
    return list(found.values())


def undo_site_merge(work: Work, event_id: int, version: int) -> Site:
    """Make the site that was merged one of its own again, with what it brought; owner only.

    `version`: of the site that stayed, as shown. LedgerError with why it cannot be; Stale.
    """
    work.require_owner()
    with transaction(work.session):
        plan = plan_site_undo(work.session, event_id)
        if plan.kept.version != version:
            raise Stale()
        if plan.why_not:
            raise LedgerError("", " ".join(plan.why_not))
        moved: Mapping[str, Sequence[int]] = plan.event.detail["moved"]
        number_doors(work.session, {one.door: one.number for one in plan.moves}, plan.gone)
        carry(work.session, Site, {name: ids for name, ids in moved.items() if name != _DOORS}, plan.gone.id)
        plan.gone.merged_into_id = None
        said = f"Undone: {plan.event.summary}"
        detail: dict[str, Any] = {"kept": plan.kept.id, "gone": plan.gone.id, "undoes": event_id}
        record(work, SITE_UNMERGED, f"site {plan.kept.id}", said, **detail)
        _tell_doors(work, moved, plan.kept, plan.gone, "merge undone")
        return plan.gone
