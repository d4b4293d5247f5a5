"""The shelf of a test's house: counted, and what lies there."""

from app.ledger.catalog.maker_queries import get_item
from app.ledger.stock.free_stock import unpinned_on_shelf
from app.ledger.stock.items import unpinned_item
from app.ledger.stock.movements import Quantity, move_stock, quantity_of
from app.ledger.stock.needs import reserve_waiting
from app.ledger.store.engine import transaction
from app.ledger.store.work import Work
from app.ledger.tables import Item, ItemKind, MovementKind


def count_item(work: Work, item: Item, count: int) -> None:
    """Have so many of an item lie on the shelf, and those who wait for it get theirs."""
    with transaction(work.session):
        more = count - quantity_of(work.session, item.id).on_hand
        move_stock(work, item, MovementKind.COUNTED, on_hand=more, why="counted")
        reserve_waiting(work, item)


def count_unpinned(work: Work, count: int, sort: str = "mortise") -> None:
    """Have so many cylinders of a type lie there without pins."""
    with transaction(work.session):
        item = unpinned_item(work, sort)
    count_item(work, item, count)


def own_goods(work: Work, code: str) -> Item:
    """The house's own goods of a code."""
    item = get_item(work.session, None, code)
    assert item is not None, code
    return item


def count_part(work: Work, maker_id: int | None, code: str, count: int, kind: ItemKind = ItemKind.PART) -> Item:
    """Have so many pieces of a part number, or of the price book's goods, lie there."""
    with transaction(work.session):
        item = get_item(work.session, maker_id, code)
        if item is None:
            item = Item(maker_id=maker_id, code=code, kind=kind)
            work.session.add(item)
            work.session.flush()
    count_item(work, item, count)
    return item


def unpinned(work: Work, sort: str = "mortise") -> Quantity:
    """Cylinders of a type without pins that lie there; as the bench's terms say while nobody counted them."""
    work.session.rollback()
    return unpinned_on_shelf(work.session, work.today)[sort]
