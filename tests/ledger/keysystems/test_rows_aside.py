"""While rows of an old list stand aside, nothing new is drawn for its system, by whatever door."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import sqlalchemy as sa

from app.fitting import CylinderAttributes
from app.keying import NamedKey, NoBittingsLeft, write_bitting
from app.ledger.bench.customers_keys import CustomersKeyForm, decode_customers_key
from app.ledger.keys.loss_plans import ways_of_loss
from app.ledger.keysystems.bittings import open_bittings, open_plan, seal_bitting, spec_of
from app.ledger.keysystems.control import add_control
from app.ledger.keysystems.crosskeying import cross_key, make_cross_ready
from app.ledger.keysystems.extending import ExtendForm, Neighborhood, extend_system, with_neighbors
from app.ledger.keysystems.keysets import add_keysets
from app.ledger.keysystems.rows_aside import put_aside as put_row_aside
from app.ledger.keysystems.unsealed_system import open_system
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import (
    Bitting,
    Cylinder,
    CylinderState,
    Key,
    Keyset,
    KeySystem,
    Level,
    LineKind,
    ListRowAside,
    Loss,
)
from app.pricing import KeyingKind
from tests import factories
from tests.ledger.bench.test_customers_keys import accepted
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import accept, flats, issued, openings

CORE = CylinderAttributes("sfic", None, 7, None, "NH1", None, None, "626")
SHOP = {"keyed_at": "shop", "override_reason": "soon"}


@pytest.fixture(autouse=True)
def _factories(work: Work) -> Iterator[None]:
    with factories.saving_into(work.session):
        yield


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


@pytest.fixture
def small(work: Work) -> tuple[KeySystem, KeySystem]:
    """Two books of a customer on one keyway of three chambers and three depths, which has 27 bittings in all: one of
    single keys, and one that came as a list.
    """
    spec = factories.SpecFactory(spec={"chambers": 3, "depths": 3, "macs": 2, "step": 1})
    keyway = factories.KeywayFactory(code="AQ77", spec=spec)
    customer = factories.CustomerFactory()
    singles, listed = (
        factories.KeySystemFactory(
            customer=customer, name=name, levels=levels, keyway=keyway.code, chambers=3, spec=spec
        )
        for name, levels in (("Singles", 1), ("The old list", 2))
    )
    master = factories.KeysetFactory(system=listed, symbol="AA", level=Level.MASTER)
    seal_bitting(work, listed, master, (0, 1, 2))
    work.session.commit()
    return singles, listed


def keep_aside(work: Work, system: KeySystem, row: int, cell: str, parent: str = "") -> None:
    put_row_aside(work, system, row, NamedKey("", f"K{row}", parent=parent or None), "Two of it.", cell)
    work.session.commit()


def beside(work: Work, system: KeySystem) -> KeySystem:
    """Another system of the same customer, on the same keyway, that came as a list."""
    listed = factories.KeySystemFactory(
        customer=system.customer,
        name="The old list",
        keyway=system.keyway,
        chambers=system.chambers,
        spec=system.spec,
    )
    factories.KeysetFactory(system=listed, symbol="AA", level=Level.MASTER)
    return listed


def every_single(work: Work, system: KeySystem) -> set[str]:
    """All that can be drawn."""
    while True:
        try:
            add_keysets(work, system, 1)
        except NoBittingsLeft:
            opened = open_bittings(work.session, work.vault, [system])
            return {write_bitting(spec_of(system), cuts) for cuts in opened.values()}


def test_no_single_key_is_drawn_like_one_aside_nor_turns_its_cylinders(
    work: Work, small: tuple[KeySystem, KeySystem]
) -> None:
    singles, listed = small
    keep_aside(work, listed, 7, "2-1-0")
    keep_aside(work, listed, 8, "10")  # 010, or 01 and a cut more that nobody knows
    keep_aside(work, listed, 9, "2 2 0", parent="AA")
    keep_aside(work, listed, 10, "blurred")
    # By hand: read from either end, and what is 2 or 0, 2 or 1, 0 or 2 turns the cylinder of row 9 and AA, 012.
    aside = {"210", "012", "010", "220", "022"}
    turning = {a + b + c for a in "02" for b in "12" for c in "02"} | {"012", "022"}
    all_there = {a + b + c for a in "012" for b in "012" for c in "012"}
    assert every_single(work, singles) == all_there - aside - turning


def test_a_row_that_is_settled_or_of_another_customer_takes_nothing_away(
    work: Work, small: tuple[KeySystem, KeySystem]
) -> None:
    singles, listed = small
    keep_aside(work, listed, 7, "210")
    work.session.scalars(sa.select(ListRowAside)).one().settled = "No such key any more: sold"
    other = factories.KeySystemFactory(keyway=singles.keyway, chambers=3, spec=singles.spec)
    factories.KeysetFactory(system=other, symbol="AA", level=Level.MASTER)
    keep_aside(work, other, 3, "111")
    assert len(every_single(work, singles)) == 26  # all but AA's


def test_a_sibling_system_passes_over_what_is_aside(work: Work) -> None:
    accept(work, issued(work, flats(work, 4, **SHOP)), openings(4))
    system = work.session.scalars(sa.select(KeySystem)).one()
    spec, opened = spec_of(system), open_bittings(work.session, work.vault, [system])
    plan, [master] = open_plan(work.vault, system), [one for one in system.keysets if one.level is Level.MASTER]
    assert plan is not None
    free = [cuts for cuts in plan.under(spec, "C", opened[master.id]) if cuts not in opened.values()]
    listed = beside(work, system)
    seal_bitting(work, listed, listed.keysets[0], (9, 9, 9, 9, 9, 9))
    keep_aside(work, listed, 7, "-".join(write_bitting(spec, free[0])))
    added = extend_system(work, system.id, ExtendForm(master.symbol, 1)).symbols
    work.session.expire(system, ["keysets"])
    now = open_bittings(work.session, work.vault, [system])
    assert [now[one.id] for one in system.keysets if one.symbol in added] == [free[1]]


def test_no_cross_keying_lets_in_a_key_that_stands_aside(work: Work) -> None:
    accept(work, issued(work, flats(work, 4, **SHOP)), openings(4))
    system = work.session.scalars(sa.select(KeySystem)).one()
    first, second = work.session.scalars(sa.select(Cylinder).order_by(Cylinder.id)).all()[:2]
    assert first.keyset is not None and second.keyset is not None and first.door is not None
    opened, spec = open_bittings(work.session, work.vault, [system]), spec_of(system)
    own, other = opened[first.keyset.id], opened[second.keyset.id]
    place = next(n for n, (one, two) in enumerate(zip(own, other, strict=True)) if one != two)
    mixed = (*own[:place], other[place], *own[place + 1 :])
    assert mixed not in opened.values()
    keep_aside(work, beside(work, system), 7, write_bitting(spec, mixed))
    told = f"Row 7 of the list that The old list came from .* door {first.door.opening_number} then"
    with pytest.raises(LedgerError, match=told) as refused:
        cross_key(work, first.id, [second.keyset.symbol])
    assert refused.value.field == "operators" and first.operators == []
    work.session.scalars(sa.select(ListRowAside)).one().settled = "No such key any more: sold"
    work.session.commit()
    assert cross_key(work, first.id, [second.keyset.symbol]).combinations_after > 0


def test_what_shears_is_looked_at_once_a_cylinder_however_many_keys_are_aside(
    work: Work, small: tuple[KeySystem, KeySystem], monkeypatch: pytest.MonkeyPatch
) -> None:
    singles, listed = small
    added = add_keysets(work, singles, 3)
    for one in added:
        factories.CylinderFactory(keyset=one, state=CylinderState.FITTED)
    for row in range(7, 12):
        keep_aside(work, listed, row, "2-1-0")
    asked: list[str] = []
    stack = Neighborhood._stack
    monkeypatch.setattr(
        Neighborhood, "_stack", lambda own, label, *also: asked.append(label) or stack(own, label, *also)
    )
    with_neighbors(work, open_system(work, singles.id))
    assert sorted(asked) == sorted(one.symbol for one in added)


def test_the_bench_is_told_that_a_customers_key_may_be_one_aside(work: Work) -> None:
    job, keyset = accepted(work)
    own = keyset.system
    keep_aside(work, beside(work, own), 7, "274163")
    found = decode_customers_key(work, job.number, keyset.id, CustomersKeyForm("274163"))
    assert [one for one in found.warnings if "aside" in one] == [
        "Row 7 of the list that The old list came from may be this very key, and stands aside: whoever has that key "
        "opens these doors. The owner settles it."
    ]
