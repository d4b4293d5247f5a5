"""What a maker sells, as its rows on record have it and as the fitting room knows it."""

from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.fitting import CatalogItem
from app.ledger.store.engine import change_rows, insert_rows
from app.ledger.tables import Item, ItemKind, Maker

ReadItem = tuple[CatalogItem, dict[str, Any]]
"""An item of a catalog, and what its number means where it is a cylinder."""

_SAID = ("category", "words", "attributes", "cost_cents", "list_cents", "is_stocked")
_WRITTEN = (*_SAID, "kind", "cylinder_type", "finish")
_TABLE: sa.Table = Item.__table__  # type: ignore[assignment]  # declared wider than it is


_OF_CATEGORY = {"cylinder": ItemKind.PART, "lock": ItemKind.LOCK, "key_blank": ItemKind.BLANK}


def kind_of(category: str, code: str, words: str, cams: Collection[str]) -> ItemKind:
    """What a maker's item is. cams: the part numbers of the maker's cams.

    >>> kind_of("hardware", "R-18", "Cylinder ring 1/8 in", ()).value, kind_of("hardware", "H-1", "Hinge", ()).value
    ('ring', 'goods')
    """
    if category in _OF_CATEGORY:
        return _OF_CATEGORY[category]
    if code in cams:
        return ItemKind.CAM
    return ItemKind.RING if " ring " in f" {words.lower()} " else ItemKind.GOODS


def columns_of(attributes: Mapping[str, Any]) -> dict[str, str]:
    """What of a cylinder's attributes stands in columns of its item, too."""
    return {"cylinder_type": attributes.get("type") or "", "finish": (attributes.get("finish") or "")[:24]}


def cams_of(tables: Mapping[str, Any] | None) -> frozenset[str]:
    """The part numbers of a maker's cams."""
    return frozenset(cam["part_number"] for cam in (tables or {}).get("cams", ()) if cam.get("part_number"))


def item_values(
    maker_id: int, item: CatalogItem, attributes: dict[str, Any], cams: Collection[str]
) -> dict[str, Any]:
    """An item of a maker as its row has it."""
    return {
        "maker_id": maker_id,
        "code": item.part_number,
        "category": item.category,
        "words": item.description,
        "attributes": attributes,
        "cost_cents": item.cost_cents,
        "list_cents": item.list_cents,
        "is_stocked": item.stocked,
        "kind": kind_of(item.category, item.part_number, item.description, cams),
        **columns_of(attributes),
        "version": 1,
    }


def put_items(session: Session, maker_id: int, items: Iterable[ReadItem]) -> None:
    """Put a maker's items on record, inside the caller's transaction; those that are not among them stay."""
    columns = ("id", *_WRITTEN, "code")
    rows = session.execute(sa.select(*(_TABLE.c[name] for name in columns)).where(_TABLE.c.maker_id == maker_id))
    known = {row.code: row for row in rows}
    cams = cams_of(session.scalar(sa.select(Maker.tables).where(Maker.id == maker_id)))
    inserts: list[dict[str, Any]] = []
    updates: dict[int, dict[str, Any]] = {}
    for item, attributes in items:
        values = item_values(maker_id, item, attributes, cams)
        row = known.get(item.part_number)
        if row is None:
            inserts.append(values)
        elif any(getattr(row, name) != values[name] for name in _SAID):
            updates[row.id] = {name: values[name] for name in _WRITTEN}
    insert_rows(session, Item, inserts)
    change_rows(session, Item, updates)
    forget_items(session)


def forget_items(session: Session) -> None:
    """Have the items that the session holds read again: rows were written without it."""
    for held in session.identity_map.values():
        if isinstance(held, Item):
            session.expire(held)


def count_items(session: Session, maker_id: int) -> int:
    """How many items of a maker's list are on record."""
    rows = sa.select(sa.func.count(Item.list_cents)).where(Item.maker_id == maker_id)
    return session.scalar(rows) or 0


def items_of(session: Session, maker: Maker) -> Iterator[CatalogItem]:
    """A maker's items as the fitting room knows them, by part number."""
    columns = ("code", "category", "words", "cost_cents", "list_cents", "is_stocked")
    rows = sa.select(*(_TABLE.c[name] for name in columns))
    rows = rows.where(_TABLE.c.maker_id == maker.id, _TABLE.c.list_cents.is_not(None))
    for row in session.execute(rows.order_by(_TABLE.c.code)):
        yield CatalogItem(
            row.code, maker.name, row.category, row.words, row.cost_cents, row.list_cents, row.is_stocked
        )
