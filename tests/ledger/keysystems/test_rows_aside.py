"""While rows of an old list stand aside, nothing new is drawn for its system, by whatever door."""

from __future__ import annotations

import pytest
import sqlalchemy as sa

from app.fitting import CylinderAttributes
from app.ledger.keys.loss_plans import ways_of_loss
from app.ledger.keysystems.control import add_control
from app.ledger.keysystems.crosskeying import make_cross_ready
from app.ledger.keysystems.unsealed_system import open_system
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Bitting, Cylinder, Key, Keyset, KeySystem, Level, LineKind, ListRowAside, Loss
from app.pricing import KeyingKind
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import accept, flats, issued, openings

CORE = CylinderAttributes("sfic", None, 7, None, "NH1", None, None, "626")
SHOP = {"keyed_at": "shop", "override_reason": "soon"}


def put_aside(work: Work) -> KeySystem:
    system = work.session.scalars(sa.select(KeySystem)).one()
    work.session.add(ListRowAside(system_id=system.id, row=7, own_symbol="103", reason="Blurred.", could_matter=True))
    work.session.commit()
    return system


def of_cores(work: Work) -> KeySystem:
    line = LineRequest(LineKind.CYLINDER, 2, "NOR", attributes=CORE, keying=KeyingInstruction(KeyingKind.MK))
    asked = SystemRequest(name="The Flats")
    request = QuoteRequest(customer_id(work, "Harbourmaster"), (line,), system=asked, title="Cores", **SHOP)
    accept(work, issued(work, request), openings(2))
    return put_aside(work)


def control_of(system: KeySystem) -> Keyset:
    return next(one for one in system.keysets if one.level is Level.CONTROL)


def test_no_bittings_are_searched_for_a_cross_keying(work: Work) -> None:
    accept(work, issued(work, flats(work, 4, **SHOP)), openings(4))
    system = put_aside(work)
    first, second = work.session.scalars(sa.select(Cylinder).order_by(Cylinder.id)).all()[:2]
    assert second.keyset is not None
    with pytest.raises(LedgerError, match=r"not settled \(103\)") as refused:
        make_cross_ready(work, open_system(work, system.id), first.id, [second.keyset.symbol])
    assert refused.value.field == "symbols"


def test_no_control_key_is_drawn(work: Work) -> None:
    system = of_cores(work)
    control = control_of(system)
    for table in (Bitting, Key):
        work.session.execute(sa.delete(table).where(table.keyset_id == control.id))
    work.session.expire_all()
    work.session.delete(control)
    work.session.commit()
    with pytest.raises(LedgerError, match=r"not settled \(103\)") as refused:
        add_control(work, system.id)
    assert refused.value.field == "control"
    work.session.scalars(sa.select(ListRowAside)).one().settled = "No such key any more: sold"
    work.session.commit()
    assert add_control(work, system.id).level is Level.CONTROL


def test_a_new_control_key_after_a_loss_is_planned_with_the_same_caution(work: Work) -> None:
    system = of_cores(work)
    loss = Loss(system_id=system.id, keyset_id=control_of(system).id, reported_at=work.now)
    work.session.add(loss)
    work.session.commit()
    [way] = ways_of_loss(work, loss.id)
    assert way.cuts and "not settled (103)" in way.says[-1]
