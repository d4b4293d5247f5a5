"""Every item that the house can sell, as the fitting room knows it, kept until a catalogue changes."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.fitting import CatalogueItem as Item
from app.fitting import from_json
from app.ledger.tables import CatalogueItem, Maker

_KEPT: dict[str, tuple[tuple[Any, ...], tuple[Item, ...]]] = {}
_MOST_KEPT = 4  # databases in one process: one in a shop, several in the tests


def shelf(session: Session) -> Sequence[Item]:
    """All items of all makers, cylinders with their attributes and maker.

    Making fifty thousand of them takes longer than a customer waits, so they are kept; the counts and versions of
    the rows tell when they are out of date.
    """
    where = str(session.get_bind().engine.url)
    own = CatalogueItem
    items = sa.select(sa.func.count(own.id), sa.func.max(own.id), sa.func.sum(own.version))
    makers = sa.select(sa.func.count(Maker.id), sa.func.sum(Maker.version))
    state = (*session.execute(items).one(), *session.execute(makers).one())
    kept = _KEPT.get(where)
    if kept is None or kept[0] != state:
        if kept is None and len(_KEPT) >= _MOST_KEPT:
            _KEPT.pop(next(iter(_KEPT)), None)
        kept = _KEPT[where] = (state, tuple(_items(session)))
    return kept[1]


def _items(session: Session) -> list[Item]:
    table: Any = CatalogueItem.__table__
    names = ("part_number", "category", "description", "cost_cents", "list_cents", "is_stocked", "attributes")
    rows = session.execute(
        sa.select(Maker.name, *(table.c[name] for name in names))
        .join(table, table.c.maker_id == Maker.id)
        .order_by(Maker.name, table.c.part_number)
    )
    found = []
    for maker, number, category, description, cost, list_cents, is_stocked, given in rows:
        attributes = _attributes(tuple(given.items()), maker) if given else None
        found.append(Item(number, maker, category, description, cost, list_cents, is_stocked, attributes))
    return found


@lru_cache(maxsize=20_000)
def _attributes(given: tuple[tuple[str, Any], ...], maker: str) -> Any:
    # The maker's name of today stands there, whatever it was called when the item was loaded.
    return from_json({**dict(given), "maker": maker})
