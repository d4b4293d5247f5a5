"""What lies on the shelf is the sum of what came and went; no sum falls below zero, and nothing is rewritten."""

from collections.abc import Iterator

import pytest
import sqlalchemy as sa
from sqlalchemy.exc import DatabaseError

from app.ledger.catalog.maker_queries import get_item
from app.ledger.stock.items import unpinned_item
from app.ledger.stock.movements import Quantity, is_counted, move_stock, quantities, quantity_of
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Item, ItemKind, MovementKind, StockMovement, StockPlace
from tests import factories

K = MovementKind


@pytest.fixture(autouse=True)
def saving(work: Work) -> Iterator[None]:
    """The factories save into the house of the test."""
    with factories.saving_into(work.session):
        yield


def _move(work: Work, item: Item, kind: MovementKind, on_hand: int = 0, reserved: int = 0) -> None:
    with transaction(work.session):
        move_stock(work, item, kind, on_hand=on_hand, reserved=reserved, why="by the test")


def test_what_is_there_is_the_sum_of_what_came_and_went(work: Work) -> None:
    item, other = factories.ItemFactory(), factories.ItemFactory()
    steps = [(K.COUNTED, 12, 0), (K.RESERVED, 0, 5), (K.SOLD, -3, -3), (K.RELEASED, 0, -1), (K.RECEIVED, 10, 0)]
    for kind, on_hand, reserved in steps:
        _move(work, item, kind, on_hand, reserved)
    # 12 - 3 + 10 = 19 on hand, 5 - 3 - 1 = 1 reserved
    assert quantities(work.session, [item.id, other.id]) == {item.id: Quantity(19, 1, True), other.id: Quantity()}
    assert quantity_of(work.session, item.id).free == 18
    assert is_counted(work.session, [item.id, other.id]) == {item.id}


@pytest.mark.postgresql
@pytest.mark.parametrize(
    ("kind", "on_hand", "reserved", "said"),
    [
        (K.SOLD, -8, 0, "7 on hand, 4 of them reserved for jobs, 3 free; 8 cannot be sold."),
        (K.SOLD, -4, 0, "4 cannot be sold. If more lie there, count them first."),  # three are free
        (K.RESERVED, 0, 4, "3 free; 4 cannot be reserved."),
        (K.RELEASED, 0, -5, "5 reserved ones cannot be released."),
        (K.SCRAPPED, -8, -4, "8 cannot be scrapped."),
    ],
)
def test_no_sum_falls_below_zero(work: Work, kind: MovementKind, on_hand: int, reserved: int, said: str) -> None:
    item = factories.ItemFactory(code="RING-9")
    _move(work, item, K.COUNTED, 7)
    _move(work, item, K.RESERVED, 0, 4)
    with pytest.raises(LedgerError) as refused:
        _move(work, item, kind, on_hand, reserved)
    assert refused.value.field == "quantity" and refused.value.message.startswith("RING-9 at Shelf: 7 on hand")
    assert said in refused.value.message
    assert quantity_of(work.session, item.id) == Quantity(7, 4, True)


def test_each_place_has_sums_of_its_own(work: Work) -> None:
    item, van = factories.ItemFactory(), factories.StockPlaceFactory(name="Van 2")
    _move(work, item, K.COUNTED, 7)
    with pytest.raises(LedgerError, match="at Van 2: 0 on hand; 1 cannot be sold"), transaction(work.session):
        move_stock(work, item, K.SOLD, on_hand=-1, why="from the van", place=van)
    with transaction(work.session):
        move_stock(work, item, K.MOVED, on_hand=-2, why="to the van")
        move_stock(work, item, K.MOVED, on_hand=2, why="from the shelf", place=van)
    assert quantity_of(work.session, item.id).on_hand == 7
    assert quantity_of(work.session, item.id, van.id).on_hand == 2
    shelf = work.session.scalars(sa.select(StockPlace).where(StockPlace.name == "Shelf")).one()
    assert quantity_of(work.session, item.id, shelf.id).on_hand == 5


def test_a_movement_is_never_changed(work: Work) -> None:
    item = factories.ItemFactory()
    _move(work, item, K.COUNTED, 7)
    moved = work.session.scalars(sa.select(StockMovement).where(StockMovement.item_id == item.id)).one()
    moved.on_hand = 8
    with pytest.raises(RuntimeError, match="never changed"):
        work.session.flush()
    work.session.rollback()
    for statement in (sa.update(StockMovement).values(on_hand=8), sa.delete(StockMovement)):
        with pytest.raises(DatabaseError, match="never changed"):
            work.session.execute(statement)
        work.session.rollback()
    assert quantity_of(work.session, item.id).on_hand == 7


def test_an_item_is_known_by_its_number_whatever_its_letters_and_pieces_are_made_once(work: Work) -> None:
    row = factories.CatalogItemFactory(code="AB-7", cost_cents=2150)
    hooks = factories.ItemFactory(code="HOOKS")
    assert get_item(work.session, row.maker_id, "ab-7") is row and get_item(work.session, None, "Hooks") is hooks
    assert get_item(work.session, row.maker_id, "AB-8") is None and get_item(work.session, None, "AB-7") is None
    with transaction(work.session):
        bare = unpinned_item(work, "mortise")
        assert unpinned_item(work, "mortise") is bare
    assert (bare.kind, bare.words) == (ItemKind.UNPINNED, "Mortise without pins")
    assert get_item(work.session, None, "mortise") is None  # no code of the house's own


def test_an_item_is_counted_from_its_first_movement_on_and_is_no_other_version_by_it(work: Work) -> None:
    item = factories.ItemFactory()
    version = item.version
    assert not item.is_counted
    _move(work, item, K.COUNTED, 0)
    assert item.is_counted and item.version == version
