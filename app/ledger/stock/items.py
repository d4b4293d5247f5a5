"""Items of the stock: pins and cylinders without pins, made where they are missing; and what an item is called."""

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.ledger.catalog.own_items import without_pins
from app.ledger.store.engine import get_row
from app.ledger.store.work import Work
from app.ledger.tables import Item, ItemKind, Maker, SpecRow

WITH_MAKER = joinedload(Item.maker).load_only(Maker.id, Maker.name)
"""Loads an item's maker by name, without its tables, which are long."""


def get_stock_item(session: Session, item_id: int) -> Item:
    """An item with its maker; NotFound when there is none."""
    return get_row(session, Item, item_id, "item of stock", WITH_MAKER)


def own_item(session: Session, kind: ItemKind, code: str) -> Item | None:
    """The pins, or the cylinders without pins, of this code; None where nobody had any yet."""
    return session.scalar(sa.select(Item).where(Item.maker_id.is_(None), Item.kind == kind, Item.code == code))


def unpinned_item(work: Work, cylinder_type: str) -> Item:
    """The cylinders of a type that lie there without pins, whatever their part number; made where it is missing."""
    item = own_item(work.session, ItemKind.UNPINNED, cylinder_type)
    if item is None:
        words = without_pins(cylinder_type)
        item = Item(kind=ItemKind.UNPINNED, code=cylinder_type, words=words, cylinder_type=cylinder_type)
        work.session.add(item)
        work.session.flush()
    return item


def pin_item(work: Work, spec: SpecRow, kind: str, size: int) -> Item:
    """The pins of a kind and size for the cylinders of a spec; made where it is missing."""
    code = f"S{spec.id} {kind} {size:02d}"
    item = own_item(work.session, ItemKind.PIN, code)
    if item is None:
        words = f"{kind.capitalize()} pin {size}, {spec.name}"
        item = Item(kind=ItemKind.PIN, code=code, words=words, spec_id=spec.id, pin_kind=kind, pin_size=size)
        work.session.add(item)
        work.session.flush()
    return item


def name_item(item: Item) -> str:
    """What an item is called in a sentence: its maker and code, or its words."""
    if item.kind in (ItemKind.PIN, ItemKind.UNPINNED):
        return item.words
    return f"{item.maker.name} {item.code}" if item.maker is not None else item.code


def code_pattern(text: str, *, is_start: bool = False) -> str:
    """A pattern for ILIKE, whose escape is a backslash, of what contains a text, or starts with it.

    >>> code_pattern("50%"), code_pattern("A-", is_start=True)
    ('%50\\\\%%', 'A-%')
    """
    plain = text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
    return f"{plain}%" if is_start else f"%{plain}%"
