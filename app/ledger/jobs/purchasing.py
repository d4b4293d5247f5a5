"""What a job brings in: its hardware by part number, and one order for each factory that keys some of it."""

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.catalog.maker_queries import factory_terms_on
from app.ledger.jobs.cylinder_lines import ScheduleRow
from app.ledger.jobs.papers import JobHead, Schedule, job_head
from app.ledger.keysystems.control import CONTROL_SYMBOL
from app.ledger.keysystems.system_queries import sections_entered
from app.ledger.quoting.factory_keyed import sent_cylinders, sent_keysets, small_order_cents
from app.ledger.quoting.key_lines import own_copies
from app.ledger.quoting.request import LineRequest
from app.ledger.quoting.snapshot import HouseHead
from app.ledger.store.errors import NotFound
from app.ledger.store.events import moved_to
from app.ledger.store.work import Work
from app.ledger.tables import (
    Cylinder,
    Door,
    Event,
    Job,
    JobLine,
    Key,
    Keyset,
    KeySystem,
    LineKind,
    Maker,
    RecordsHolder,
    Stage,
)
from app.validation import JsonDataclass

BOUGHT = (LineKind.CYLINDER.value, LineKind.PART.value, LineKind.HARDWARE.value)
_Rows = sa.Select[*tuple[Any, ...]]


@dataclass(frozen=True, slots=True)
class HardwareItem:
    """One thing to bring in. lines: the quote's lines that it is for; openings: the doors it goes on, in order."""

    maker: str
    part_number: str
    words: str
    quantity: int
    lines: tuple[int, ...]
    openings: tuple[str, ...]

    @property
    def line_words(self) -> str:
        """The quote's lines, "1, 3"."""
        return ", ".join(map(str, self.lines))


@dataclass(frozen=True, slots=True)
class HardwareList:
    """A job's hardware by maker and part number. blanks: key blanks to cut on the shop's bench, a line a keyway."""

    head: JobHead
    lines: tuple[HardwareItem, ...]
    blanks: tuple[HardwareItem, ...]


def hardware_of(work: Work, job: Job) -> HardwareList:
    """The list, from the lines as agreed: five queries. A customer's own cylinders and labor are not on it."""
    makers, openings = _cylinders(work, job)
    found: dict[tuple[str, str, str], list[JobLine]] = {}
    for line in job.lines:
        if line.kind in BOUGHT:
            maker = makers.get(line.number, "")
            found.setdefault((maker, line.part_number, line.description), []).append(line)
    ordered = sorted(found.items(), key=lambda item: (item[0][0] == "", *item[0]))
    return HardwareList(
        head=job_head(work, job),
        lines=tuple(
            HardwareItem(
                maker,
                part_number,
                words,
                sum(line.quantity for line in lines),
                tuple(line.number for line in lines),
                tuple(dict.fromkeys(opening for line in lines for opening in openings.get(line.number, ()))),
            )
            for (maker, part_number, words), lines in ordered
        ),
        blanks=_blanks(work, job),
    )


def _cylinders(work: Work, job: Job) -> tuple[dict[int, str], dict[int, list[str]]]:
    """Line number → maker's name, and line number → opening numbers in the order sold."""
    rows = work.session.execute(
        sa.select(Cylinder.line_number, Maker.name, Door.opening_number)
        .outerjoin(Maker, Maker.id == Cylinder.maker_id)
        .outerjoin(Door, Door.id == Cylinder.door_id)
        .where(Cylinder.job_id == job.id)
        .order_by(Cylinder.id)
    )
    makers: dict[int, str] = {}
    openings: dict[int, list[str]] = {}
    for number, maker, opening in rows:
        if number is not None and maker:
            makers[number] = maker
        if number is not None and opening:
            openings.setdefault(number, []).append(opening)
    return makers, openings


def _blanks(work: Work, job: Job) -> tuple[HardwareItem, ...]:
    rows = sa.select(Keyset, sa.func.count(Key.id)).join(Key, Key.keyset_id == Keyset.id).where(Key.job_id == job.id)
    counts = Counter[str]()
    needed: dict[KeySystem, dict[int, frozenset[str]]] = {}
    for keyset, count in work.session.execute(rows.group_by(Keyset.id)) if job.keyed_at != "factory" else ():
        if keyset.system not in needed:
            needed[keyset.system] = sections_entered(work.session, keyset.system)
        counts[", ".join(sorted(needed[keyset.system][keyset.id]))] += count
    counts.update(dict(own_copies(job)))  # they are cut here too, and are on no keyset
    return tuple(
        HardwareItem("", "", f"Key blanks, keyway {keyway}", count, (), ())
        for keyway, count in sorted(counts.items())
    )


@dataclass(frozen=True, slots=True)
class FactoryGroup:
    """Cylinders of one keyset and part number. keys: with the keyset, told at its first group and 0 after.

    keyset: as on the schedule, with X before and (NMK) after; stamp: the symbol alone, as it stands on the keys.
    """

    quantity: int
    part_number: str
    words: str
    keyset: str
    stamp: str
    keying: str
    operated_by: tuple[str, ...]
    keys: int
    openings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FactoryWork(JsonDataclass):
    """One maker's part of a job. place: 1 for the job's first order to a factory. levels: of its systems.

    revision: of the quote that it carries out. is_from_our_records: the house holds a system's records, so that the
    factory keys from what it is sent. Never a bitting: what was sent is kept as it was.
    """

    house: HouseHead
    job_number: int
    revision: int
    place: int
    maker_name: str
    system_name: str
    levels: int
    is_new_system: bool
    is_from_our_records: bool
    need_by: date | None
    ordered: tuple[date, str] | None  # the day and by whom; None while it was not ordered
    groups: tuple[FactoryGroup, ...]
    small_order_cents: int = 0  # agreed beside, for an order under the maker's minimum
    untaken_keys: int = 0  # of those that come with the cylinders: not wanted, so that the maker takes them off


def factory_makers(session: Session, job: Job) -> tuple[str, ...]:
    """The makers whose factories key something of the job, by name; no query where the shop keys all of it."""
    if "factory" not in job.keyed_at:
        return ()
    rows = sa.select(Maker.name).distinct().join(Cylinder, Cylinder.maker_id == Maker.id)
    return tuple(session.scalars(_at_factory(rows, session, job).order_by(Maker.name)))


def factory_work(work: Work, job: Job, schedule: Schedule, maker_name: str) -> FactoryWork:
    """What this maker's factory is asked for; NotFound when it keys nothing of the job. Opens no bitting."""
    makers = factory_makers(work.session, job)
    if maker_name not in makers:
        raise NotFound("factory order of this job")
    systems = dict[int, KeySystem]()
    line_of = dict[int, int]()
    rows = sa.select(Cylinder.id, Cylinder.line_number, KeySystem).join(Maker, Maker.id == Cylinder.maker_id)
    for cylinder_id, line, system in work.session.execute(
        _at_factory(rows, work.session, job).where(Maker.name == maker_name)
    ):
        systems[system.id] = system
        line_of[cylinder_id] = line or 0
    mine = [row for row in schedule.rows if row.cylinder_id in line_of]
    groups = _groups(mine, line_of, job.lines, _keys(work.session, job, schedule))
    return FactoryWork(
        house=schedule.head.house,
        job_number=schedule.head.job_number,
        revision=schedule.head.revision,
        place=makers.index(maker_name) + 1,
        maker_name=maker_name,
        system_name=" · ".join(system.name for system in systems.values()),
        levels=max((system.levels for system in systems.values()), default=1),
        is_new_system=_is_theirs_alone(work.session, systems, job.id),
        is_from_our_records=any(system.records is RecordsHolder.SHOP for system in systems.values()),
        need_by=job.need_by or job.promised_on,
        ordered=_ordered(work.session, job),
        groups=groups,
        small_order_cents=small_order_cents(work.session, job, line_of.values()),
        untaken_keys=_untaken_keys(work, maker_name, groups),
    )


def _untaken_keys(work: Work, maker_name: str, groups: Sequence[FactoryGroup]) -> int:
    """How many keys that come with the cylinders the maker takes off, by its terms of the day."""
    maker_id = work.session.scalar(sa.select(Maker.id).where(Maker.name == maker_name))
    terms = factory_terms_on(work.session, maker_id, work.today) if maker_id is not None else None
    if terms is None or not terms.untaken_key_cents:
        return 0
    included = terms.keys_included * sum(group.quantity for group in groups if group.keyset)
    return max(0, included - sum(group.keys for group in groups))


def _ordered(session: Session, job: Job) -> tuple[date, str] | None:
    """The day on which the job's parts were first put on order, and by whom; None while they were not."""
    rows = sa.select(Event.at, Event.actor_name).where(Event.job_id == job.id, moved_to(Stage.PARTS_ON_ORDER))
    first = session.execute(rows.order_by(Event.id).limit(1)).first()
    return (first.at.astimezone().date(), first.actor_name) if first else None


def _at_factory(rows: _Rows, session: Session, job: Job) -> _Rows:
    """Those whose records the factory holds, and those it is to key from records that it is sent."""
    sent = Cylinder.id.in_(sent_cylinders(session, job))
    return (
        rows.join(Keyset, Keyset.id == Cylinder.keyset_id)
        .join(KeySystem, KeySystem.id == Keyset.system_id)
        .where(Cylinder.job_id == job.id, sa.or_(KeySystem.records == RecordsHolder.FACTORY, sent))
    )


def _is_theirs_alone(session: Session, system_ids: Collection[int], job_id: int) -> bool:
    """Whether no other job has a cylinder in the systems: then the factory starts them, else it extends one."""
    other = (
        sa.select(Cylinder.id)
        .join(Keyset, Keyset.id == Cylinder.keyset_id)
        .where(Keyset.system_id.in_(system_ids), Cylinder.job_id.is_distinct_from(job_id))
    )
    return session.scalar(other.limit(1)) is None


def _keys(session: Session, job: Job, schedule: Schedule) -> dict[str, int]:
    """Symbol → how many keys the factory cuts to it."""
    theirs = sent_keysets(session, job)
    rows = sa.select(Keyset.id, KeySystem.name, Keyset.symbol).join(KeySystem).join(Key, Key.keyset_id == Keyset.id)
    sold = session.execute(rows.distinct().where(Key.job_id == job.id))
    symbols = {(system, symbol) for keyset_id, system, symbol in sold if keyset_id in theirs}
    return {one.symbol: one.keys for one in schedule.keysets if (one.system, one.symbol) in symbols}


def _groups(
    rows: list[ScheduleRow], line_of: dict[int, int], lines: Sequence[JobLine], keys: dict[str, int]
) -> tuple[FactoryGroup, ...]:
    alike: dict[tuple[str, str, str, int], list[ScheduleRow]] = {}
    for row in rows:
        alike.setdefault((row.part_number, row.words, row.keyset, line_of[row.cylinder_id]), []).append(row)
    asks = {line.number: line.ask for line in lines}
    groups = []
    for (part_number, words, keyset, line), group in alike.items():
        own = group[0].operated_by[0] if group[0].operated_by else ""
        groups.append(
            FactoryGroup(
                quantity=len(group),
                part_number=part_number,
                words=words,
                keyset=keyset,
                stamp=own,
                keying=LineRequest.from_json(asks[line]).keying.words if line in asks else "",
                operated_by=group[0].operated_by,
                keys=keys.pop(own, 0),
                openings=tuple(row.opening_number for row in group if row.opening_number),
            )
        )
    # Keys of the masters and control keys: no cylinder is on them, and the factory cuts them all the same.
    operating = {symbol for row in rows for symbol in row.operated_by}
    groups += [
        FactoryGroup(0, "", "keys only", symbol, symbol, "", (), count, ())
        for symbol, count in keys.items()
        if count and (symbol in operating or symbol == CONTROL_SYMBOL)
    ]
    return tuple(groups)
