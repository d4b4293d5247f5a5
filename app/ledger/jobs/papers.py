"""What a job's papers are made from: the keying schedule (no bitting) and the bench's work (with them)."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import sqlalchemy as sa
from sqlalchemy.orm import joinedload, selectinload

from app.errors import BitternError
from app.keying import Bitting as Cuts
from app.keying import pin, write_bitting
from app.ledger.catalog.price_queries import get_house
from app.ledger.jobs.cylinder_lines import cautions_by_door, job_cylinders, key_counts
from app.ledger.jobs.queries import newest_revision_number
from app.ledger.jobs.schedule import (
    BenchCylinder,
    BenchKey,
    BenchSystem,
    BenchWork,
    Schedule,
)
from app.ledger.keysystems.auditing import require_clean
from app.ledger.keysystems.bittings import reveal_bittings, spec_of
from app.ledger.keysystems.control import lacks_control
from app.ledger.keysystems.system_queries import operators_of, symbol_on
from app.ledger.quoting.factory_keyed import sent_cylinders, sent_keysets
from app.ledger.quoting.issuing import house_head
from app.ledger.quoting.key_lines import own_copies
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderOperator, Job, Keyset, KeySystem, Level, RecordsHolder, Role


def _cylinders(work: Work, job: Job) -> Sequence[Cylinder]:
    return work.session.scalars(
        sa.select(Cylinder)
        .where(Cylinder.job_id == job.id)
        .options(
            joinedload(Cylinder.door),
            selectinload(Cylinder.operators).joinedload(CylinderOperator.keyset),
        )
        .order_by(Cylinder.id)
    ).all()


def _systems(work: Work, cylinders: Sequence[Cylinder], counts: Collection[int]) -> list[KeySystem]:
    """The systems of the cylinders, and those that only keys were sold to."""
    keyset_ids = {cylinder.keyset_id for cylinder in cylinders if cylinder.keyset_id is not None} | set(counts)
    system_ids = sa.select(Keyset.system_id).where(Keyset.id.in_(keyset_ids))
    rows = (
        sa.select(KeySystem)
        .where(KeySystem.id.in_(system_ids))
        .options(selectinload(KeySystem.keysets), selectinload(KeySystem.spec))
    )
    return list(work.session.scalars(rows.order_by(KeySystem.id)))


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
        house=house_head(get_house(work.session)),
        job_number=job.number,
        title=job.title,
        customer_name=job.customer.name,
        site_name=job.site.name if job.site else "",
        site_address=job.site.address if job.site else "",
        system_name=found.system_name,
        keyed_at=job.keyed_at,
        promised_on=job.promised_on,
        issued_on=work.today,
        rows=tuple(found.row(line, cautions.get(line.door_id or 0, ())) for line in found.lines),
        keysets=found.keysets,
        revision=newest_revision_number(work.session, job.id),
    )


def bench_work(work: Work, job: Job) -> BenchWork:
    """The job's bittings, pins and cuts, for bench and owner; the reveal is an event of the job.

    The whole system is audited first: a finding (KeyingError, with its remedy) stops the sheet, and nothing
    is revealed. Raises LedgerError when nothing in the job is keyed on the shop's bench.
    """
    work.require(Role.BENCH)
    cylinders = _cylinders(work, job)
    ordered = key_counts(work.session, job.id)
    systems = _systems(work, cylinders, ordered)
    require_pinnable(work, systems, "No bench sheet is printed.")
    opened = reveal_bittings(
        work, [system.id for system in systems], f"bench sheet of job {job.number}", job_id=job.id
    )
    sent = sent_cylinders(work.session, job)
    here = [cylinder for cylinder in cylinders if cylinder.id not in sent]
    away = sent_keysets(work.session, job)
    counts = {keyset: count for keyset, count in ordered.items() if keyset not in away}
    made = tuple(bench for system in systems if (bench := _bench_system(system, here, opened, counts)) is not None)
    copies = own_copies(job)
    if not made and not copies:
        raise LedgerError("", "Nothing in this job is keyed on the shop's own bench.")
    return BenchWork(
        house=house_head(get_house(work.session)),
        job_number=job.number,
        title=job.title,
        customer_name=job.customer.name,
        promised_on=job.promised_on,
        issued_on=work.today,
        revealed_to=work.actor.name,
        systems=made,
        revision=newest_revision_number(work.session, job.id),
        copies=copies,
    )


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


def _bench_system(
    system: KeySystem, cylinders: Sequence[Cylinder], opened: dict[int, Cuts], counts: dict[int, int]
) -> BenchSystem | None:
    by_id = {keyset.id: keyset for keyset in system.keysets}
    spec = spec_of(system)
    control = next((opened.get(keyset.id) for keyset in system.keysets if keyset.level is Level.CONTROL), None)
    alike: dict[tuple[str, tuple[int, ...], str], list[Cylinder]] = {}
    for cylinder in cylinders:
        if cylinder.keyset_id in by_id and cylinder.keyset_id in opened:
            operators = tuple(keyset.id for keyset in operating(cylinder, by_id))
            alike.setdefault((cylinder_symbol(cylinder, by_id), operators, cylinder.words), []).append(cylinder)
    groups = tuple(
        BenchCylinder(
            keyset=symbol,
            quantity=len(group),
            words=words,
            openings=tuple(cylinder.door.opening_number for cylinder in group if cylinder.door),
            operated_by=tuple(by_id[one].symbol for one in operators),
            pinning=pin(spec, {by_id[one].symbol: opened[one] for one in operators if one in opened}, control),
        )
        for (symbol, operators, words), group in alike.items()
    )
    keys = tuple(
        BenchKey(
            keyset.symbol,
            write_bitting(spec, opened[keyset.id]),
            counts.get(keyset.id, 0),
            is_control=keyset.level is Level.CONTROL,
            is_there=keyset.keys_ordered > 0,
        )
        for keyset in system.keysets
        if keyset.id in opened and (counts.get(keyset.id) or (groups and keyset.level is Level.CONTROL))
    )
    return BenchSystem(system.name, system.keyway, system.spec.name, spec, keys, groups) if groups or keys else None
