"""A job on the bench whose bittings the tests know: one master, two flats, doors, keys."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, timedelta

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.bench.checkoff import tick_cylinders, tick_keys
from app.ledger.goods.handing_over import HandOverForm, hand_over, still_open
from app.ledger.jobs.stages import move_job
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.keysystems.bittings import seal_bitting
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Door, Job, Key, Keyset, KeyState, KeySystem, Level, Loss, Stage
from tests import factories

BITTINGS = {"AA": "528614", "1AA": "746036", "2AA": "346298"}
"""Within a MACS of 7, the changes in the master's parity; none opens another's cylinder."""


@dataclass(frozen=True, slots=True)
class Keyed:
    """What was put on record."""

    job: Job
    system: KeySystem
    doors: tuple[Door, ...]
    cylinders: tuple[Cylinder, ...]


def keyed_job(work: Work, stage: Stage = Stage.ON_THE_BENCH, promised_on: date | None = None) -> Keyed:
    """The job, its system sealed with BITTINGS; the house is on record too."""
    factories.HouseFactory()
    customer = factories.CustomerFactory(name="Harbourmaster's Flats", phone="555-0147")
    site = factories.SiteFactory(customer=customer, name="The Flats")
    job = factories.JobFactory(
        customer=customer,
        site=site,
        title="Two flats under one master",
        stage=stage,
        keyed_at="shop",
        promised_on=promised_on or work.today + timedelta(days=5),
        bench_minutes=45,
        value_cents=20_000,
        cost_cents=15_000,
        accepted_by="P. Harbour",
    )
    system = factories.KeySystemFactory(customer=customer, site=site, name="The Flats", capacity=100)
    master = factories.KeysetFactory(system=system, symbol="AA", level=Level.MASTER)
    changes = [factories.KeysetFactory(system=system, symbol=symbol, parent=master) for symbol in ("1AA", "2AA")]
    for keyset in (master, *changes):
        cuts = tuple(int(digit) for digit in BITTINGS[keyset.symbol])
        seal_bitting(work, system, keyset, cuts)
        factories.KeyFactory(keyset=keyset, job_id=job.id, copy_number=1)
    doors = tuple(
        factories.DoorFactory(
            site=site, opening_number=f"F{n}", location=f"Flat {n}", hand="RH", is_egress=n == 1, is_fire_rated=n == 2
        )
        for n in (1, 2)
    )
    for door in doors:
        factories.LockFactory(door=door)
    cylinders = tuple(
        factories.CylinderFactory(job_id=job.id, door=door, keyset=keyset, part_number="AD-Q1-66")
        for door, keyset in zip(doors, changes, strict=True)
    )
    work.session.commit()
    return Keyed(job, system, doors, cylinders)


def tick_off(work: Work, job: Job) -> None:
    """Each of the job's cylinders is pinned and checked, and each of its keys cut."""
    every = work.session.scalars(sa.select(Cylinder.id).where(Cylinder.job_id == job.id)).all()
    tick_cylinders(work, job.number, every, CylinderState.PINNED)
    tick_cylinders(work, job.number, every, CylinderState.CHECKED)
    if keysets := {key.keyset_id for key in keys_of_job(work.session, job.id)}:
        tick_keys(work, job.number, keysets, KeyState.CUT)


def walk(work: Work, job: Job, *stages: Stage) -> None:
    """Move a job from stage to stage, all of it ticked off before 'All checked', and handed to A. Taker."""
    for stage in stages:
        if stage is Stage.CHECKED:
            tick_off(work, job)
        if stage is Stage.HANDED_OVER:
            give(work, job)
        else:
            move_job(work, job.id, job.version, stage)


def give(work: Work, job: Job, taken_by: str = "A. Taker") -> None:
    """All that is left of a job that is ready is handed over, whatever is open still."""
    hand_over(work, job.id, job.version, HandOverForm(taken_by, still_open(work.session, job).mark))


def bitting_in(text: str) -> str | None:
    """The first of BITTINGS that the text tells, its digits together or parted by blanks, commas, tags or dots."""
    plain = re.sub(r"<[^>]*>", " ", text)
    for digits in BITTINGS.values():
        if re.search(r"[\s,.·/-]*".join(digits), plain) or digits in text:
            return digits
    return None


@contextmanager
def counted(engine: sa.Engine) -> Iterator[list[str]]:
    """The SQL statements that the block sends, transactions apart."""
    statements: list[str] = []

    def note(connection: object, cursor: object, statement: str, *rest: object) -> None:
        if not statement.startswith("BEGIN"):
            statements.append(statement)

    sa.event.listen(engine, "before_cursor_execute", note)
    try:
        yield statements
    finally:
        sa.event.remove(engine, "before_cursor_execute", note)


def the(work: Work, symbol: str, copy: int = 1) -> Key:
    """The copy of a keyset as the database has it now."""
    work.session.rollback()
    work.session.expire_all()
    return work.session.scalars(
        sa.select(Key).join(Keyset).where(Keyset.symbol == symbol, Key.copy_number == copy)
    ).one()


def put(work: Work, symbol: str, state: KeyState, **values: object) -> Key:
    """The first copy of a keyset, put into a state by hand."""
    key = the(work, symbol)
    key.state = state
    for name, value in values.items():
        setattr(key, name, value)
    work.session.commit()
    return key


def mark_lost(session: Session, key: Key) -> Key:
    """Have a key of an earlier day stand on record as lost, with the open loss that it belongs to."""
    session.add(key)
    session.flush()
    key.state = KeyState.LOST
    loss = session.scalar(sa.select(Loss).where(Loss.keyset_id == key.keyset_id, Loss.closed_at.is_(None)))
    if loss is None:
        system_id = session.scalars(sa.select(Keyset.system_id).where(Keyset.id == key.keyset_id)).one()
        loss = Loss(system_id=system_id, keyset_id=key.keyset_id, reported_at=key.changed_at, copies=[])
        session.add(loss)
    loss.copies = sorted({*loss.copies, key.copy_number})
    session.commit()
    return key
