"""What binds the things of a customer to each other: jobs to sites, cylinders to doors, systems and jobs.

Where things are parted, whatever has an end on either side is told: what stands or is under way keeps them
together, what is over is history and may name both.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased

from app.ledger.tables import (
    Cylinder,
    CylinderOperator,
    CylinderState,
    Door,
    Event,
    Job,
    Key,
    Keyset,
    KeySystem,
    Site,
    Stage,
)
from app.validation import counted

_OVER = (Stage.HANDED_OVER, Stage.CLOSED, Stage.LOST, Stage.CANCELED)


@dataclass(frozen=True, slots=True)
class End:
    """One thing that a tie holds, with what it is part of: a door of a site, a keyset of a system. 0: of none."""

    kind: str  # job, site, door, keyset, or key system
    id: int
    part_of: int
    customer_id: int

    @property
    def whole(self) -> tuple[str, int]:
        """What it is part of, by kind and id: itself where that is nothing."""
        kinds = {"door": "site", "keyset": "key system"}
        return (kinds[self.kind], self.part_of) if self.kind in kinds else (self.kind, self.id)


@dataclass(frozen=True, slots=True)
class Tie:
    """A row that binds things. `row`: 'cylinder 12'; is_live: it stands, or is under way; words: for people."""

    row: str
    words: str
    is_live: bool
    ends: tuple[End, ...]

    def crosses(self, inside: Callable[[End], bool]) -> bool:
        """Whether it has an end inside, and one that is not."""
        sides = {inside(one) for one in self.ends}
        return len(sides) > 1


def ties_of(session: Session, customer_id: int) -> Iterator[Tie]:
    """Every tie with two ends or more that are the customer's own: five queries."""
    for tie in (
        *_of_jobs(session, customer_id),
        *_of_systems(session, customer_id),
        *_of_cylinders(session, customer_id),
        *_of_operators(session, customer_id),
        *_of_keys(session, customer_id),
    ):
        own = tuple(one for one in tie.ends if one.id and one.customer_id == customer_id)
        if len(own) > 1:
            yield Tie(tie.row, tie.words, tie.is_live, own)


def say_astray(came: str, rows: Sequence[str]) -> str:
    """Why a deed cannot be undone whose rows, as 'jobs 12', went on elsewhere. came: or went."""
    said = ", ".join(one.replace("_", " ") for one in rows[:6])
    return f"Of what {came} over, {counted(len(rows), 'record')} went on elsewhere since: {said}. Undo that first."


def say_grown(
    event: Event, deed: str, ties: Iterable[Tie], inside: Callable[[End], bool], more: Iterable[str] = ()
) -> list[str]:
    """What ties both sides now and did not when the event was written, and `more`: a sentence each, at most eight."""
    known = set(event.detail["crossed"])
    grown = (tie.words for tie in ties if tie.row not in known and tie.crosses(inside))
    words = list(dict.fromkeys([*(f"{one}, which has grown on it since the {deed}." for one in grown), *more]))
    return words[:8] + ([f"And {len(words) - 8} more."] if len(words) > 8 else [])


def _of_jobs(session: Session, customer_id: int) -> Iterator[Tie]:
    rows = (
        sa.select(Job.id, Job.number, Job.stage, Job.customer_id, Site.id, Site.name, Site.customer_id)
        .join(Site, Site.id == Job.site_id)
        .where(Job.customer_id == customer_id, Site.customer_id == customer_id)
        .order_by(Job.number)
    )
    for job_id, number, stage, buyer, site_id, name, owner in session.execute(rows):
        ends = End("job", job_id, 0, buyer), End("site", site_id, 0, owner)
        yield Tie(f"job {job_id}", f"Job {number} is for {name}", stage not in _OVER, ends)


def _of_systems(session: Session, customer_id: int) -> Iterator[Tie]:
    rows = (
        sa.select(KeySystem.id, KeySystem.name, KeySystem.customer_id, Site.id, Site.name, Site.customer_id)
        .join(Site, Site.id == KeySystem.site_id)
        .where(KeySystem.customer_id == customer_id, Site.customer_id == customer_id)
        .order_by(KeySystem.id)
    )
    for system_id, name, buyer, site_id, site, owner in session.execute(rows):
        ends = End("key system", system_id, 0, buyer), End("site", site_id, 0, owner)
        yield Tie(f"key system {system_id}", f"{name} is the key system of {site}", True, ends)


def _of_cylinders(session: Session, customer_id: int) -> Iterator[Tie]:
    rows = (
        sa.select(
            *(Cylinder.id, Cylinder.state, Cylinder.position),
            *(Door.id, Door.opening_number, Site.id, Site.name, Site.customer_id),
            *(Keyset.id, Keyset.symbol, KeySystem.id, KeySystem.name, KeySystem.customer_id),
            *(Job.id, Job.number, Job.stage, Job.customer_id),
        )
        .outerjoin(Door, Door.id == Cylinder.door_id)
        .outerjoin(Site, Site.id == Door.site_id)
        .outerjoin(Keyset, Keyset.id == Cylinder.keyset_id)
        .outerjoin(KeySystem, KeySystem.id == Keyset.system_id)
        .outerjoin(Job, Job.id == Cylinder.job_id)
        .where(
            sa.or_(*(column == customer_id for column in (Site.customer_id, KeySystem.customer_id, Job.customer_id)))
        )
        .order_by(Cylinder.id)
    )
    for row in session.execute(rows):
        cylinder_id, state, position, door_id, opening, site_id, site, site_owner, *rest = row
        keyset_id, symbol, system_id, system, system_owner, job_id, number, stage, buyer = rest
        door = End("door", int(door_id or 0), site_id or 0, site_owner or 0)
        keyset = End("keyset", keyset_id or 0, system_id or 0, system_owner or 0)
        job = End("job", job_id or 0, 0, buyer or 0)
        name, there = f"cylinder {cylinder_id}", state is not CylinderState.REMOVED
        keyed = f"{opening} {position} of {site} is keyed to {symbol} of {system}"
        yield Tie(name, keyed, there, (door, keyset))
        where = f"{opening} of {site}" if door_id else f"a cylinder of {symbol}"
        is_live = there and job_id is not None and stage not in _OVER
        yield Tie(name, f"Job {number} has work on {where}", is_live, (job, door, keyset))


def _of_operators(session: Session, customer_id: int) -> Iterator[Tie]:
    own, other = aliased(Keyset), aliased(Keyset)
    rows = (
        sa.select(
            Cylinder.id, Cylinder.state, own.id, own.symbol, other.id, other.symbol, KeySystem.id, KeySystem.name
        )
        .join(CylinderOperator, CylinderOperator.cylinder_id == Cylinder.id)
        .join(own, own.id == Cylinder.keyset_id)
        .join(other, other.id == CylinderOperator.keyset_id)
        .join(KeySystem, KeySystem.id == own.system_id)
        .where(KeySystem.customer_id == customer_id)
        .order_by(CylinderOperator.id)
    )
    for cylinder_id, state, own_id, symbol, other_id, crossed, system_id, system in session.execute(rows):
        ends = [End("keyset", int(one), system_id, customer_id) for one in (own_id, other_id)]
        words = f"A cylinder on {symbol} of {system} is cross-keyed with {crossed}"
        yield Tie(f"cylinder {cylinder_id}", words, state is not CylinderState.REMOVED, tuple(ends))


def _of_keys(session: Session, customer_id: int) -> Iterator[Tie]:
    rows = (
        sa.select(Job.id, Job.number, Job.stage, Keyset.id, Keyset.symbol, KeySystem.id, KeySystem.name)
        .join(Key, Key.job_id == Job.id)
        .join(Keyset, Keyset.id == Key.keyset_id)
        .join(KeySystem, KeySystem.id == Keyset.system_id)
        .where(Job.customer_id == customer_id, KeySystem.customer_id == customer_id)
        .distinct()
        .order_by(Job.number, Keyset.id)
    )
    for job_id, number, stage, keyset_id, symbol, system_id, system in session.execute(rows):
        ends = End("job", job_id, 0, customer_id), End("keyset", keyset_id, system_id, customer_id)
        words = f"Job {number} brings keys of {symbol} of {system}"
        yield Tie(f"keys of job {job_id} to keyset {keyset_id}", words, stage not in _OVER, ends)
