"""List price and cost of an item on a day: what it has today, until a maker's list of a later day holds."""

from collections.abc import Collection, Iterable, Mapping
from datetime import date
from typing import NamedTuple

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.store.engine import in_steps
from app.ledger.tables import Item, ItemPrice


class ListedPrice(NamedTuple):
    """Cents each; list None where no maker's list has it."""

    list_cents: int | None
    cost_cents: int


class ItemPrices:
    """Answers list and cost of items as they are on a day. proposed: what a list would make of some, by id."""

    def __init__(
        self,
        session: Session,
        on: date,
        item_ids: Iterable[int] = (),
        proposed: Mapping[int, ListedPrice] | None = None,
    ) -> None:
        self._session, self._on = session, on
        self._proposed = proposed or {}
        self._read = set(item_ids)
        self._coming = waiting_prices(session, on, self._read)

    def get(self, item: Item) -> ListedPrice:
        """What an item is listed at, and what it costs."""
        if item.id in self._proposed:
            return self._proposed[item.id]
        if item.id not in self._read:
            self._read.add(item.id)
            self._coming |= waiting_prices(self._session, self._on, [item.id])
        return self._coming.get(item.id) or ListedPrice(item.list_cents, item.cost_cents)


def waiting_prices(session: Session, on: date, item_ids: Collection[int] | None = None) -> dict[int, ListedPrice]:
    """What waits and holds by a day, by item; None: of all items."""
    columns = sa.select(ItemPrice.item_id, ItemPrice.list_cents, ItemPrice.cost_cents)
    rows = columns.where(ItemPrice.valid_from <= on).order_by(ItemPrice.valid_from, ItemPrice.id)
    if item_ids is None:
        return {id_: ListedPrice(list_cents, cost) for id_, list_cents, cost in session.execute(rows)}
    found: dict[int, ListedPrice] = {}
    for some in in_steps(list(item_ids)):
        part = session.execute(rows.where(ItemPrice.item_id.in_(some)))
        found |= {id_: ListedPrice(list_cents, cost) for id_, list_cents, cost in part}
    return found


def coming_prices(session: Session, item_id: int) -> list[ItemPrice]:
    """What waits for an item, the next day first."""
    rows = sa.select(ItemPrice).where(ItemPrice.item_id == item_id).order_by(ItemPrice.valid_from)
    return list(session.scalars(rows))


def coming_lists(session: Session, maker_id: int) -> list[tuple[date, int | None, int]]:
    """The price lists of a maker that wait, the next first: (day, its import or None, how many prices)."""
    columns = sa.select(ItemPrice.valid_from, ItemPrice.import_id, sa.func.count())
    rows = columns.join(Item, Item.id == ItemPrice.item_id).where(Item.maker_id == maker_id)
    rows = rows.group_by(ItemPrice.valid_from, ItemPrice.import_id).order_by(
        ItemPrice.valid_from, ItemPrice.import_id
    )
    return [(day, import_id, count) for day, import_id, count in session.execute(rows)]
