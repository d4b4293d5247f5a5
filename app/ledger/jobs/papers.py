"""What a job's papers are made from: the keying schedule (no bitting) and the bench's work (with them)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import selectinload

from app.errors import BitternError
from app.keying import Bitting as Cuts
from app.keying import BittingSpec, Pinning, pin, write_bitting
from app.ledger.catalog.price_queries import get_house
from app.ledger.jobs.cylinder_lines import (
    JobCylinder,
    JobCylinders,
    KeysetLine,
    ScheduleKeyset,
    ScheduleRow,
    cautions_by_door,
    job_cylinders,
)
from app.ledger.jobs.queries import newest_revision_number
from app.ledger.keysystems.auditing import require_clean
from app.ledger.keysystems.bittings import reveal_bittings, spec_of
from app.ledger.keysystems.control import lacks_control
from app.ledger.keysystems.system_queries import operators_of, symbol_on
from app.ledger.quoting.factory_keyed import sent_cylinders, sent_keysets
from app.ledger.quoting.issuing import house_head
from app.ledger.quoting.key_lines import own_copies
from app.ledger.quoting.snapshot import HouseHead
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Job, Keyset, KeySystem, Level, RecordsHolder, Role


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

    @property
    def keys(self) -> int:
        """How many keys come with the job."""
        return sum(keyset.keys for keyset in self.keysets)


@dataclass(frozen=True, slots=True)
class BenchKey:
    """A key to cut: its bitting and how many; 0 of a control key that the bench needs and the job does not bring.

    `is_there`: whether a copy of it is on record.
    """

    symbol: str
    bitting: str = field(repr=False)
    quantity: int
    is_control: bool = False
    is_there: bool = True

    @property
    def note(self) -> str:
        """What a key is for that turns no cylinder; "" of all others."""
        if not self.is_control:
            return ""
        if self.quantity:
            return "control key"
        none = "none to cut" if self.is_there else "none on record here: ask the customer for theirs"
        return f"control key: to try the cores, {none}"


@dataclass(frozen=True, slots=True)
class BenchCylinder:
    """Cylinders of one keyset that are pinned alike."""

    keyset: str
    quantity: int
    words: str
    openings: tuple[str, ...]
    operated_by: tuple[str, ...]
    pinning: Pinning
    ids: tuple[int, ...] = ()  # of the cylinders


@dataclass(frozen=True, slots=True)
class BenchSystem:
    """What the bench does in one key system."""

    name: str
    keyway: str
    spec_name: str
    spec: BittingSpec
    keys: tuple[BenchKey, ...]
    cylinders: tuple[BenchCylinder, ...]


@dataclass(frozen=True, slots=True)
class BenchWork:
    """A job's bench sheet: confidential. copies: of the customer's own keys, their keyway and how many."""

    head: JobHead
    revealed_to: str
    systems: tuple[BenchSystem, ...]
    copies: tuple[tuple[str, int], ...] = ()

    @property
    def cylinder_count(self) -> int:
        """How many cylinders the bench pins."""
        return sum(group.quantity for system in self.systems for group in system.cylinders)

    @property
    def key_count(self) -> int:
        """How many keys it cuts, copies of the customer's own among them."""
        keys = sum(key.quantity for system in self.systems for key in system.keys)
        return keys + sum(count for _, count in self.copies)


def cylinder_symbol(cylinder: Cylinder, by_id: dict[int, Keyset]) -> str:
    """The cylinder's keyset with X before it (cross-keyed) and (NMK) after; "" uncombinated."""
    if cylinder.keyset_id is None:
        return ""
    own = by_id[cylinder.keyset_id].symbol
    return symbol_on(own, is_crossed=bool(cylinder.operators), is_nmk=cylinder.is_nmk)


def operating(cylinder: Cylinder, by_id: dict[int, Keyset]) -> list[Keyset]:
    """Every keyset whose key turns the cylinder: its own, those it is cross-keyed to, the masters above."""
    if cylinder.keyset_id is None:
        return []
    chain = operators_of(by_id[cylinder.keyset_id], is_nmk=cylinder.is_nmk, by_id=by_id)
    crossed = [by_id[operator.keyset_id] for operator in cylinder.operators if operator.keyset_id in by_id]
    return list(dict.fromkeys([chain[0], *crossed, *chain[1:]]))


def schedule_of(work: Work, job: Job) -> Schedule:
    """The job's keying schedule, one row a cylinder in the order sold, from plain rows. Opens no bitting."""
    found = job_cylinders(work.session, job.id)
    cautions = cautions_by_door(work.session, job.id, len(found.lines))
    return Schedule(
        head=job_head(work, job),
        system_name=found.system_name,
        keyed_at=job.keyed_at,
        rows=tuple(found.row(line, cautions.get(line.door_id or 0, ())) for line in found.lines),
        keysets=found.keysets,
    )


def bench_work(work: Work, job: Job) -> BenchWork:
    """The job's bittings, pins and cuts, for bench and owner; the reveal is an event of the job.

    The whole system is audited first: a finding (KeyingError, with its remedy) stops the sheet, and nothing
    is revealed. Raises LedgerError when nothing in the job is keyed on the shop's bench.
    """
    work.require(Role.BENCH)
    found = job_cylinders(work.session, job.id)
    systems = _systems(work, found)
    require_pinnable(work, systems, "No bench sheet is printed.")
    bittings = reveal_bittings(
        work, [system.id for system in systems], f"bench sheet of job {job.number}", job_id=job.id
    )
    away, their_keys = sent_cylinders(work.session, job), sent_keysets(work.session, job)
    found = replace(
        found,
        lines=[line for line in found.lines if line.id not in away],
        counts={keyset: count for keyset, count in found.counts.items() if keyset not in their_keys},
    )
    made = tuple(bench for system in systems if (bench := _bench_system(system, found, bittings)) is not None)
    copies = own_copies(job)
    if not made and not copies:
        raise LedgerError("", "Nothing in this job is keyed on the shop's own bench.")
    return BenchWork(job_head(work, job), work.actor.name, made, copies)


def _systems(work: Work, found: JobCylinders) -> list[KeySystem]:
    """The systems of the cylinders, and those that only keys were sold to."""
    rows = (
        sa.select(KeySystem)
        .where(KeySystem.id.in_([system.id for system in found.systems]))
        .options(selectinload(KeySystem.keysets), selectinload(KeySystem.spec))
    )
    return list(work.session.scalars(rows.order_by(KeySystem.id)))


def require_pinnable(work: Work, systems: Sequence[KeySystem], then: str) -> None:
    """Before pins are shown: every control key is there and the audit is clean; `then` says what stops.

    A core pinned without its control line could never be taken out, and its top pins would be wrong.
    """
    for system in systems:
        if lacks_control(system) and system.records is RecordsHolder.SHOP:
            raise LedgerError(
                "",
                f"{system.name} is of interchangeable cores and has no control key. {then} "
                "Add the control key on the system's page first.",
            )
    require_clean(work, systems, then)


def keyset_work(work: Work, system: KeySystem, keyset: Keyset) -> tuple[BenchSystem, str]:
    """One keyset's bitting and how a cylinder on it is pinned, for bench and owner; the reveal is an event.

    Where the audit finds something the bitting stands alone, to be compared with the list, and the text says why no
    pins do. Raises LedgerError, and opens nothing, when the shop holds no bitting of it.
    """
    work.require(Role.BENCH)
    if keyset.bitting is None:
        raise LedgerError("keyset", f"The shop holds no bitting of {keyset.symbol}; its records are elsewhere.")
    stopped = ""
    try:
        require_pinnable(work, [system], "No pins are shown.")
    except BitternError as refused:
        stopped = refused.message
    opened = reveal_bittings(work, [system.id], f"keyset {keyset.symbol}")
    spec = spec_of(system)
    by_id = {one.id: one for one in system.keysets}
    operators = [one for one in operators_of(keyset, is_nmk=False, by_id=by_id) if one.id in opened]
    control = next((opened.get(one.id) for one in system.keysets if one.level is Level.CONTROL), None)
    keys = (BenchKey(keyset.symbol, write_bitting(spec, opened[keyset.id]), 1),)
    cylinders: tuple[BenchCylinder, ...] = ()
    if keyset.level is not Level.CONTROL and not stopped:
        pinning = pin(spec, {one.symbol: opened[one.id] for one in operators}, control)
        symbols = tuple(one.symbol for one in operators)
        cylinders = (BenchCylinder(keyset.symbol, 1, f"cylinder on {system.keyway}", (), symbols, pinning),)
    return BenchSystem(system.name, system.keyway, system.spec.name, spec, keys, cylinders), stopped


def _bench_system(system: KeySystem, found: JobCylinders, bittings: Mapping[int, Cuts]) -> BenchSystem | None:
    """The part of a job's cylinders and keys that is in one system; None where none of it is."""
    spec = spec_of(system)
    control = next((bittings.get(keyset.id) for keyset in system.keysets if keyset.level is Level.CONTROL), None)
    alike: dict[tuple[str, tuple[KeysetLine, ...], str], list[JobCylinder]] = {}
    for line in found.lines:
        if found.system_of(line) == system.id and line.keyset_id in bittings:
            group = (found.symbol(line), tuple(found.operators(line)), line.words)
            alike.setdefault(group, []).append(line)
    groups = tuple(
        BenchCylinder(
            keyset=symbol,
            quantity=len(lines),
            words=words,
            openings=tuple(line.opening_number for line in lines if line.opening_number),
            operated_by=tuple(keyset.symbol for keyset in operators),
            pinning=pin(spec, {one.symbol: bittings[one.id] for one in operators if one.id in bittings}, control),
            ids=tuple(line.id for line in lines),
        )
        for (symbol, operators, words), lines in alike.items()
    )
    keys = tuple(
        BenchKey(
            keyset.symbol,
            write_bitting(spec, bittings[keyset.id]),
            found.counts.get(keyset.id, 0),
            is_control=keyset.level is Level.CONTROL,
            is_there=keyset.keys_ordered > 0,
        )
        for keyset in system.keysets
        if keyset.id in bittings and (found.counts.get(keyset.id) or (groups and keyset.level is Level.CONTROL))
    )
    return BenchSystem(system.name, system.keyway, system.spec.name, spec, keys, groups) if groups or keys else None
