"""One cylinder as its label's code opens it: what it is, where it goes, who keyed it; and its pins when asked for."""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload, selectinload

from app.keying import pin, write_bitting
from app.ledger.bench.checkoff import CheckOff, checked_off
from app.ledger.jobs.papers import cylinder_symbol, operating, require_pinnable
from app.ledger.jobs.schedule import BenchCylinder, BenchKey, BenchSystem
from app.ledger.keysystems.bittings import reveal_bittings, spec_of
from app.ledger.keysystems.system_queries import get_system
from app.ledger.sites.cautions import cautions_of
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderOperator, Door, Job, Keyset, KeySystem, Level, Role


@dataclass(frozen=True, slots=True)
class CylinderRecord:
    """A cylinder without its pins. operated_by: every symbol whose key turns it, its own first."""

    cylinder: Cylinder
    job: Job | None
    system: KeySystem | None
    keyset: str  # its symbol with the trade's marks; "" uncombinated
    operated_by: tuple[str, ...]
    cautions: tuple[str, ...]
    off: CheckOff

    @property
    def is_on_bench(self) -> bool:
        """Whether the shop keys it, so that it has pins to show."""
        return self.system is not None and self.job is not None and "shop" in self.job.keyed_at


def cylinder_record(session: Session, cylinder_id: int) -> CylinderRecord:
    """The record; NotFound when there is none. Opens no bitting."""
    cylinder = session.scalar(
        sa.select(Cylinder)
        .where(Cylinder.id == cylinder_id)
        .options(
            joinedload(Cylinder.door).joinedload(Door.site),
            joinedload(Cylinder.door).joinedload(Door.lock),
            selectinload(Cylinder.operators).joinedload(CylinderOperator.keyset),
        )
    )
    if cylinder is None:
        raise NotFound("cylinder")
    job = session.get(Job, cylinder.job_id) if cylinder.job_id else None
    system = (
        get_system(session, session.get_one(Keyset, cylinder.keyset_id).system_id) if cylinder.keyset_id else None
    )
    by_id = {one.id: one for one in system.keysets} if system else {}
    offs = checked_off(session, job.id) if job else {}
    return CylinderRecord(
        cylinder=cylinder,
        job=job,
        system=system,
        keyset=cylinder_symbol(cylinder, by_id),
        operated_by=tuple(keyset.symbol for keyset in operating(cylinder, by_id)),
        cautions=cautions_of(cylinder.door) if cylinder.door else (),
        off=offs.get(cylinder.id, CheckOff()),
    )


def cylinder_work(work: Work, record: CylinderRecord) -> BenchSystem:
    """The cylinder's key and pins, for bench and owner; the reveal is an event of its job.

    The whole system is audited first, as for a bench sheet. LedgerError where the shop holds no bitting of it.
    """
    work.require(Role.BENCH)
    system, cylinder = record.system, record.cylinder
    own = next((one for one in system.keysets if one.id == cylinder.keyset_id), None) if system else None
    if system is None or own is None or own.bitting is None:
        raise LedgerError("", "The shop holds no bitting of this cylinder.")
    require_pinnable(work, [system], "No pins are shown.")
    job_id = record.job.id if record.job else None
    opened = reveal_bittings(work, [system.id], f"cylinder {cylinder.id}, {record.keyset}", job_id=job_id)
    spec, by_id = spec_of(system), {one.id: one for one in system.keysets}
    control = next((opened.get(one.id) for one in system.keysets if one.level is Level.CONTROL), None)
    keys = {one.symbol: opened[one.id] for one in operating(cylinder, by_id) if one.id in opened}
    group = BenchCylinder(
        keyset=record.keyset,
        quantity=1,
        words=cylinder.words,
        openings=(cylinder.door.opening_number,) if cylinder.door else (),
        operated_by=record.operated_by,
        pinning=pin(spec, keys, control),
    )
    key = BenchKey(own.symbol, write_bitting(spec, opened[own.id]), 1)
    return BenchSystem(system.name, system.keyway, system.spec.name, spec, (key,), (group,))
