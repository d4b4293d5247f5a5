"""What a job's papers are made from: its head, its keying schedule, who holds its keys. Never a bitting."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import joinedload

from app.ledger.catalog.price_queries import get_house
from app.ledger.jobs.cylinder_lines import (
    JobCylinders,
    ScheduleKeyset,
    ScheduleRow,
    cautions_by_door,
    job_cylinders,
)
from app.ledger.jobs.queries import newest_revision_number
from app.ledger.keys.loss_plans import say_control_keys
from app.ledger.keysystems.construction import control_of
from app.ledger.keysystems.copy_numbers import say_copies
from app.ledger.quoting.issuing import house_head
from app.ledger.quoting.snapshot import HouseHead
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Job, Key, Keyset, KeyState, Level, say_purpose

_IN_SHOP = {
    KeyState.ORDERED: "In the shop, not cut yet",
    KeyState.CUT: "In the shop, cut",
    KeyState.RETURNED: "In the shop, returned",
    KeyState.LOST: "Lost",
}


@dataclass(frozen=True, slots=True)
class JobHead:
    """What each of a job's papers says at its head. revision: of the quote that it carries out; 0 without one."""

    house: HouseHead
    job_number: int
    revision: int
    title: str
    customer_name: str
    site_name: str
    site_address: str
    promised_on: date | None
    issued_on: date


def job_head(work: Work, job: Job) -> JobHead:
    """The head of a paper that is made today."""
    return JobHead(
        house=house_head(get_house(work.session)),
        job_number=job.number,
        revision=newest_revision_number(work.session, job.id),
        title=job.title,
        customer_name=job.customer.name,
        site_name=job.site.name if job.site else "",
        site_address=job.site.address if job.site else "",
        promised_on=job.promised_on,
        issued_on=work.today,
    )


@dataclass(frozen=True, slots=True)
class Schedule:
    """A job's keying schedule. `keyed_at`: shop or factory. Never a bitting."""

    head: JobHead
    system_name: str  # several systems: joined with " · "
    keyed_at: str
    rows: tuple[ScheduleRow, ...]
    keysets: tuple[ScheduleKeyset, ...]
    changed: Mapping[int, str] = field(default_factory=dict)  # cylinder id → how it differs from the revision before
    also_changed: tuple[str, ...] = ()  # what else does: cylinders that are gone, keys
    cores: str = ""  # which control key takes them out and which seats them, where those are two
    construction: str = ""  # what the site is construction keyed by, and how that ends

    @property
    def keys(self) -> int:
        """How many keys come with the job."""
        return sum(keyset.keys for keyset in self.keysets)

    @property
    def opened_by(self) -> dict[str, list[str]]:
        """Symbol → the opening numbers that its key opens in this job, each once, in the order sold."""
        found: dict[str, dict[str, None]] = {}
        for row in self.rows:
            for symbol in row.operated_by:
                found.setdefault(symbol, {})[row.opening_number] = None
        return {symbol: [opening for opening in openings if opening] for symbol, openings in found.items()}


def schedule_of(work: Work, job: Job) -> Schedule:
    """The job's keying schedule, one row a cylinder in the order sold, from plain rows. Opens no bitting."""
    found = job_cylinders(work.session, job.id)
    cautions = cautions_by_door(work.session, job.id)
    return Schedule(
        head=job_head(work, job),
        system_name=found.system_name,
        keyed_at=job.keyed_at,
        rows=tuple(found.row(line, cautions.get(line.door_id or 0, ())) for line in found.lines),
        keysets=found.keysets,
        cores=say_control_keys(work.session, job),
        construction=say_construction(found),
    )


_BY_MASTER = (
    "Construction keyed: {0} turns these cylinders until the building is handed over. Turn no permanent key before. "
    "Then turn the own key of each door once around, and try {0} there: where it still turns, turn the masters of "
    "that door too, one after another, until it does not. A master alone may leave {0} working. Tick each door as "
    "made dead. Count the keys to {0} like a master's, and bring all of them back when the last door is dead: they "
    "are destroyed."
)
_BY_CORES = (
    "Construction cores, keyed alike to {0}, hang until the building is handed over; {1} takes them out. Seat each "
    "permanent core{2} as soon as its construction core is out: a door without a core is open. Tick each door as "
    "swapped. Bring all construction cores and their keys back."
)


def say_construction(found: JobCylinders) -> str:
    """What a job's site is construction keyed by and how that ends, for the installer; "" where it is not."""
    own = [found.by_id[line.keyset_id] for line in found.lines if line.keyset_id is not None]
    if lent := next((one for one in own if one.level.is_of_construction), None):
        control = next((one.symbol for one in found.by_id.values() if one.level is Level.CONTROL), "")
        return _BY_CORES.format(lent.symbol, control_of(lent.symbol), f" with {control}" if control else "")
    alive = [found.by_id[one] for further in found.crossed.values() for one in further if one in found.by_id]
    symbols = dict.fromkeys(one.symbol for one in alive if one.level.is_of_construction)
    return _BY_MASTER.format(" or ".join(symbols)) if symbols else ""


@dataclass(frozen=True, slots=True)
class HeldKeys:
    """Copies of one keyset in one hand. opens: opening numbers of this job, in the order sold."""

    symbol: str
    level: str
    purpose: str
    copies: tuple[int, ...]
    due_back: date | None
    opens: tuple[str, ...]

    @property
    def level_words(self) -> str:
        """The keyset's level and what it is for."""
        return f"{self.level}, {self.purpose}" if self.purpose else self.level

    @property
    def copy_words(self) -> str:
        """The copies in a few words, "copies 1-2, 4"."""
        return say_copies(self.copies)


@dataclass(frozen=True, slots=True)
class Holder:
    """A person with keys, or, where `is_person` is False, a place: the shop's drawer, the list of lost keys."""

    name: str
    is_person: bool
    keys: tuple[HeldKeys, ...]

    @property
    def count(self) -> int:
        """How many keys."""
        return sum(len(key.copies) for key in self.keys)


@dataclass(frozen=True, slots=True)
class KeyHolders:
    """A job's keys by holder: people by name, then the shop's. `schedule` is of the same day."""

    schedule: Schedule
    holders: tuple[Holder, ...]

    @property
    def count(self) -> int:
        """How many keys in all."""
        return sum(holder.count for holder in self.holders)


def holders_of(work: Work, job: Job, schedule: Schedule) -> KeyHolders:
    """Every key of the keysets that the job's cylinders and keys belong to, retired ones left out: one query."""
    of_cylinders = sa.select(Cylinder.keyset_id).where(Cylinder.job_id == job.id, Cylinder.keyset_id.is_not(None))
    of_keys = sa.select(Key.keyset_id).where(Key.job_id == job.id)
    keys = work.session.scalars(
        sa.select(Key)
        .join(Keyset)
        .where(sa.or_(Key.keyset_id.in_(of_cylinders), Key.keyset_id.in_(of_keys)), Key.state != KeyState.RETIRED)
        .options(joinedload(Key.keyset))
        .order_by(Keyset.system_id, Keyset.id, Key.copy_number)
    ).all()
    opens = schedule.opened_by
    by_holder: dict[tuple[bool, str], list[Key]] = {}
    for key in keys:
        place = _IN_SHOP.get(key.state, "")
        by_holder.setdefault((bool(place), place or key.holder or "Holder not named"), []).append(key)
    people_first = sorted(by_holder, key=lambda hand: (hand[0], hand[1].casefold()))
    holders = (Holder(hand[1], not hand[0], _by_keyset(by_holder[hand], opens)) for hand in people_first)
    return KeyHolders(schedule, tuple(holders))


def _by_keyset(keys: Sequence[Key], opens: dict[str, list[str]]) -> tuple[HeldKeys, ...]:
    groups: dict[tuple[int, date | None], list[Key]] = {}
    for key in keys:
        groups.setdefault((key.keyset_id, key.due_back), []).append(key)
    return tuple(
        HeldKeys(
            symbol=group[0].keyset.symbol,
            level=group[0].keyset.level.value,
            purpose=say_purpose(group[0].keyset.purpose, group[0].keyset.is_retired),
            copies=tuple(key.copy_number for key in group),
            due_back=due_back,
            opens=tuple(opens.get(group[0].keyset.symbol, ())),
        )
        for (_, due_back), group in groups.items()
    )
