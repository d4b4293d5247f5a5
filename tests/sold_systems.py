"""Key systems sold long ago, fitted, their keys out: three levels, one of a matrix, and one that a factory keeps."""

import random
from collections.abc import Mapping
from dataclasses import replace

import sqlalchemy as sa

from app.keying import AccessPlan
from app.ledger.keysystems.bittings import open_bittings, reseal_bittings
from app.ledger.keysystems.extending import ExtendForm, extend_system
from app.ledger.keysystems.planning import MatrixSealForm, make_ready, seal_access
from app.ledger.quoting.rekeying import kind_of_levels
from app.ledger.quoting.request import KeyingInstruction, QuoteRequest, SystemRequest
from app.ledger.sites.door_paste import DoorRow
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Job, Key, Keyset, KeyState, KeySystem, Stage
from app.pricing import KeyingKind
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import MORTISE, accept, issued, mortise, openings

OPENS = """
,n1,n2,n3,south,s1,s2,store
head,x,x,x,x,x,x,x
north,x,x,x,,,,x
south,,,,x,x,x,
ann,x,,,,,,x
bea,,x,,,,,
cid,,,x,,,,
dan,,,,,x,,x
eva,,,,,,x,
"""
"""North and South under a head; `south` is the office that South's master opens; Ann and Dan share the store."""


def fit(work: Work, job: Job) -> None:
    """Have a job stand as after a hand-over long ago."""
    work.session.rollback()
    for cylinder in work.session.scalars(sa.select(Cylinder).where(Cylinder.job_id == job.id)):
        cylinder.state = CylinderState.FITTED
    for key in work.session.scalars(sa.select(Key).where(Key.job_id == job.id)):
        key.state = KeyState.OUT
    work.session.get_one(Job, job.id).stage = Stage.CLOSED
    work.session.commit()


def _have_keys(work: Work, copies: Mapping[Keyset, int]) -> None:
    """Have so many keys of each keyset be out."""
    for keyset, count in copies.items():
        for copy in range(1, count + 1):
            work.session.add(Key(keyset_id=keyset.id, copy_number=copy, state=KeyState.OUT, changed_at=work.now))
    work.session.commit()


def sold_school(work: Work) -> KeySystem:
    """The school that OPENS keys: its seven doors fitted as they were planned, two keys a door and one a master."""
    customer = customer_id(work, "Harbourmaster")
    ready = make_ready(work, "AQ1", 6, [row.split(",") for row in OPENS.strip().splitlines()])
    plan = ready.search(random.Random(3), 20, lambda *_: None)
    assert isinstance(plan, AccessPlan)
    crossed = tuple(door for one in plan.exceptions for door in one.doors)
    system = seal_access(work, ready, plan, MatrixSealForm(customer, "The School", "School", crossed=crossed))
    there = work.session.scalars(sa.select(Cylinder).where(Cylinder.job_id.is_(None)).order_by(Cylinder.id)).all()
    doors = tuple(one.id for one in there if one.is_planned)
    line = mortise(len(doors), KeyingInstruction(kind_of_levels(system.levels)), standing=doors)
    site = there[0].door.site_id if there[0].door else None
    asked = SystemRequest(existing_id=system.id)
    ask = QuoteRequest(customer, (line,), system=asked, site_id=site, keyed_at="shop", override_reason="soon")
    job = issued(work, ask)
    accept(work, job)
    fit(work, job)
    _have_keys(work, {keyset: 1 for keyset in system.keysets if not keyset.keys})
    return system


def sold_hall(work: Work) -> KeySystem:
    """The Hall: F1 to F3 on AA1 to AA3, F4 and F5 alike on AA4, F6 on AB1, F7 single; three keys to AA, two to A."""
    lines = (
        mortise(3, KeyingInstruction(KeyingKind.GMK, master="AA")),
        mortise(2, KeyingInstruction(KeyingKind.GMK, 2, "AA")),
        mortise(1, KeyingInstruction(KeyingKind.GMK, master="AB")),
        mortise(1, KeyingInstruction(KeyingKind.SKD)),
    )
    asked = SystemRequest(name="The Hall", levels=3, masters=2)
    ask = QuoteRequest(customer_id(work, "Harbourmaster"), lines, system=asked)
    job = issued(work, replace(ask, keyed_at="shop", override_reason="soon"))
    accept(work, job, openings(7))
    fit(work, job)
    system = work.session.scalars(sa.select(KeySystem).where(KeySystem.name == "The Hall")).one()
    upper = {"AA": 3, "A": 2}
    _have_keys(work, {keyset: upper[keyset.symbol] for keyset in system.keysets if keyset.symbol in upper})
    return system


def sold_halls(work: Work) -> KeySystem:
    """The Hall with AC on AQ3 besides: G1 and G2 on AC1 and AC2, G3 on AC3, all cut as AA to AA3 are on AQ1.

    A's keys are cut anew of a blank that enters both.
    """
    system = sold_hall(work)
    extend_system(work, system.id, ExtendForm(grand="A", masters=1, keyway="AQ3"))
    body = replace(MORTISE, keyway="AQ3")
    line = mortise(3, KeyingInstruction(KeyingKind.GMK, master="AC"), attributes=body)
    asked = SystemRequest(existing_id=system.id)
    ask = QuoteRequest(system.customer_id, (line,), system=asked, keyed_at="shop", override_reason="soon")
    job = issued(work, ask)
    accept(work, job, tuple(DoorRow(row=n, opening=f"G{n}") for n in (1, 2, 3)))
    work.session.rollback()
    system = work.session.get_one(KeySystem, system.id)
    cuts = open_bittings(work.session, work.vault, [system])
    by_symbol = {one.symbol: one for one in system.keysets}
    twins = [(by_symbol[f"AC{n}"], cuts[by_symbol[f"AA{n}"].id]) for n in ("", 1, 2, 3)]
    reseal_bittings(work, system, twins)
    work.session.commit()
    fit(work, job)
    _have_keys(work, {by_symbol["AC"]: 2})
    return system


def sold_mill(work: Work) -> KeySystem:
    """Twenty doors under one master, keyed by the factory, which keeps the bittings."""
    line = mortise(20, KeyingInstruction(KeyingKind.MK))
    ask = QuoteRequest(customer_id(work, "Harbourmaster"), (line,), system=SystemRequest(name="The Mill"))
    job = issued(work, replace(ask, keyed_at="factory", override_reason="as ever"))
    accept(work, job, openings(20))
    fit(work, job)
    return work.session.scalars(sa.select(KeySystem).where(KeySystem.name == "The Mill")).one()
