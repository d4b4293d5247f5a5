"""Pins that were drawn for few cylinders tell their bittings: they stay under seal until many are booked together."""

from collections.abc import Iterator

import pytest
import sqlalchemy as sa

from app.keying import PinSize
from app.ledger.bench.pins import set_stock, stock_of
from app.ledger.stock.pin_draws import add_draw
from app.ledger.store.engine import transaction
from app.ledger.store.work import Work
from app.ledger.tables import MovementKind, PinDraw, StockMovement
from tests import factories

BOTTOM, TOP = PinSize("bottom", 3), PinSize("top", 11)


@pytest.fixture(autouse=True)
def saving(work: Work) -> Iterator[None]:
    """The factories save into the house of the test."""
    with factories.saving_into(work.session):
        yield


def _used(work: Work) -> list[tuple[int, int | None]]:
    rows = sa.select(StockMovement.on_hand, StockMovement.job_id).where(StockMovement.kind == MovementKind.USED)
    return sorted(tuple(row) for row in work.session.execute(rows.order_by(StockMovement.id)))


def test_what_few_cylinders_took_is_in_no_movement_until_it_is_booked_with_others(work: Work) -> None:
    spec, first, second = factories.SpecFactory(), factories.JobFactory(), factories.JobFactory()
    set_stock(work, spec.id, {BOTTOM: 100, TOP: 100})
    with transaction(work.session):
        add_draw(work, first.id, spec.id, 2, {BOTTOM: 5, TOP: 7})
    assert stock_of(work.session, work.vault, spec.id) == {BOTTOM: 95, TOP: 93} and _used(work) == []
    sealed = work.session.scalars(sa.select(PinDraw.sealed)).one()
    assert b"bottom" not in sealed and b"top" not in sealed
    set_stock(work, spec.id, {BOTTOM: 95})  # counted as it is: no movement tells what was drawn
    newest = sa.select(StockMovement.on_hand).order_by(StockMovement.id.desc()).limit(1)
    assert work.session.scalar(newest) == 0
    with transaction(work.session):
        add_draw(work, second.id, spec.id, 18, {BOTTOM: 30})
    assert _used(work) == [(-35, None), (-7, None)]  # twenty cylinders of two jobs together
    assert stock_of(work.session, work.vault, spec.id) == {BOTTOM: 65, TOP: 93}
