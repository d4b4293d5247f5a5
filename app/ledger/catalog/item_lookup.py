"""Catalogue items by part number, many at once: however many lines a quote has, they take one query."""

from __future__ import annotations

from collections.abc import Iterable

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.catalog.maker_queries import get_item, spellings
from app.ledger.tables import CatalogueItem

_MOST_ASKED = 10_000  # SQLite takes 32,766 values in one question


class ItemLookup:
    """Answers as `get_item`; the numbers given at first are read together, any other once."""

    def __init__(self, session: Session, numbers: Iterable[str]) -> None:
        self._session = session
        self._read = frozenset(numbers)
        self._others: dict[tuple[int, str], CatalogueItem | None] = {}
        self._items: dict[tuple[int, str], CatalogueItem] = {}
        wanted = sorted({way for number in self._read for way in (number, *spellings(number))})
        for start in range(0, len(wanted), _MOST_ASKED):
            part = CatalogueItem.part_number.in_(wanted[start : start + _MOST_ASKED])
            for item in session.scalars(sa.select(CatalogueItem).where(part)):
                self._items[item.maker_id, item.part_number] = item

    def get(self, maker_id: int, part_number: str) -> CatalogueItem | None:
        """The maker's catalogue item with this part number, letters large or small."""
        if part_number in self._read:
            ways = ((maker_id, way) for way in (part_number, *spellings(part_number)))
            return next((self._items[way] for way in ways if way in self._items), None)
        key = (maker_id, part_number)
        if key not in self._others:
            self._others[key] = get_item(self._session, maker_id, part_number)
        return self._others[key]
