"""Items of stock: found, made where they are missing, and named in a sentence."""

import re

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.ledger.catalog.maker_queries import get_item, item_attributes
from app.ledger.store.engine import get_row
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import CatalogRow, ItemKind, Maker, PriceBookRow, SpecRow, StockItem

WITH_MAKER = joinedload(StockItem.maker).load_only(Maker.id, Maker.name)
"""Loads an item's maker by name, without its tables, which are long."""
OF_A_MAKER = (ItemKind.PART, ItemKind.BLANK, ItemKind.CAM, ItemKind.RING)
"""The kinds whose code is a maker's part number."""


def get_stock_item(session: Session, item_id: int) -> StockItem:
    """An item with its maker; NotFound when there is none."""
    return get_row(session, StockItem, item_id, "item of stock", WITH_MAKER)


_TRADE_NUMBER = re.compile("(?:[0-9]{8}|[0-9]{12,14})", re.ASCII)


def fault_of_barcode(barcode: str) -> str:
    """Why a barcode of 8, 12, 13 or 14 digits is no trade item number (GTIN): its last digit checks the others,
    weighed 3, 1, 3, 1 … from the right. "" of every other barcode.

    >>> fault_of_barcode("036000291452"), fault_of_barcode("A-12345"), fault_of_barcode("1234567")
    ('', '', '')
    >>> fault_of_barcode("036000291425")
    'The check digit of 036000291425 would be 1, not 5: two digits may be changed over, or one misread.'
    """
    if not _TRADE_NUMBER.fullmatch(barcode):
        return ""
    *digits, last = map(int, barcode)
    check = -sum(digit * (1 if place % 2 else 3) for place, digit in enumerate(reversed(digits))) % 10
    if check == last:
        return ""
    return (
        f"The check digit of {barcode} would be {check}, not {last}: two digits may be changed over, or one misread."
    )


def find_item(session: Session, maker_id: int | None, kind: ItemKind | None, code: str) -> StockItem | None:
    """The item with this code; kind None: whichever of a maker's kinds has it, or the
    price book's goods. None where it was never listed."""
    of_maker = StockItem.maker_id.is_(None) if maker_id is None else StockItem.maker_id == maker_id
    of_no_maker = (ItemKind.GOODS,)
    kinds = (kind,) if kind is not None else of_no_maker if maker_id is None else OF_A_MAKER
    rows = sa.select(StockItem).where(of_maker, StockItem.code == code, StockItem.kind.in_(kinds))
    return session.scalar(rows.order_by(StockItem.id).limit(1))


def item_for(work: Work, kind: ItemKind | None, code: str, maker_id: int | None = None) -> StockItem:
    """The item with this code, made inside the caller's transaction where it is missing, with words and cost from the
    maker's catalog or, without a maker, from the price book. kind None: what the maker's tables say it is.

    LedgerError on `code` where neither has it.
    """
    found = find_item(work.session, maker_id, kind, code)
    if found is not None:
        return found
    if maker_id is None:
        item = _of_price_book(work.session, kind or ItemKind.GOODS, code)
    else:
        row = get_item(work.session, maker_id, code)
        if row is None:
            item = _of_tables(work.session, maker_id, kind, code)
        elif row.part_number != code:  # the same number, its letters large or small
            return item_for(work, kind, row.part_number, maker_id)
        else:
            item = item_of_row(row, kind)
    work.session.add(item)
    work.session.flush()
    return item


def item_of_row(row: CatalogRow, kind: ItemKind | None = None) -> StockItem:
    """A new item for what stands in a catalog; not on record yet."""
    attributes = item_attributes(row)
    return StockItem(
        maker_id=row.maker_id,
        kind=kind or _kind_of(row),
        code=row.part_number,
        words=row.description,
        cylinder_type=attributes.type if attributes else "",
        finish=(attributes.finish or "")[:24] if attributes else "",
        cost_cents=row.cost_cents,
    )


def _kind_of(row: CatalogRow) -> ItemKind:
    if row.category == "key_blank":
        return ItemKind.BLANK
    if row.attributes:
        return ItemKind.PART
    if any(cam.get("part_number") == row.part_number for cam in row.maker.tables.get("cams", ())):
        return ItemKind.CAM
    return ItemKind.RING if " ring " in f" {row.description.lower()} " else ItemKind.PART


def _of_tables(session: Session, maker_id: int, kind: ItemKind | None, code: str) -> StockItem:
    """A blank or a cam that a maker's tables name and its catalog does not."""
    maker = get_row(session, Maker, maker_id, "maker")
    if kind in (None, ItemKind.BLANK):
        for blank in maker.tables.get("key_blanks", ()):
            if blank["number"] == code:
                words = f"Key blank, {', '.join(blank['keyways'])}"
                return StockItem(maker_id=maker_id, kind=ItemKind.BLANK, code=code, words=words[:300])
    if kind in (None, ItemKind.CAM):
        for cam in maker.tables.get("cams", ()):
            if cam.get("part_number") == code:
                words = f"{cam['name'].capitalize()} cam"
                return StockItem(maker_id=maker_id, kind=ItemKind.CAM, code=code, words=words[:300])
    raise LedgerError("code", f"“{code[:80]}” is not in the catalog of {maker.name}: add it there first.")


def _of_price_book(session: Session, kind: ItemKind, code: str) -> StockItem:
    rows = sa.select(PriceBookRow).where(PriceBookRow.code == code, PriceBookRow.tier == "")
    row = session.scalar(rows.order_by(PriceBookRow.valid_from.desc(), PriceBookRow.quantity_from).limit(1))
    if row is None:
        raise LedgerError("code", f"“{code[:80]}” is not in the price book: add it there first.")
    return StockItem(kind=kind, code=code, words=row.description, cost_cents=row.cost_cents)


def unpinned_item(work: Work, cylinder_type: str) -> StockItem:
    """The cylinders of a type that lie there without pins, whatever their part number; made where it is missing."""
    item = find_item(work.session, None, ItemKind.UNPINNED, cylinder_type)
    if item is None:
        words = f"{cylinder_type.upper() if len(cylinder_type) == 4 else cylinder_type.capitalize()} without pins"
        item = StockItem(
            kind=ItemKind.UNPINNED, code=cylinder_type, words=words, cylinder_type=cylinder_type, finish=""
        )
        work.session.add(item)
        work.session.flush()
    return item


def pin_item(work: Work, spec: SpecRow, kind: str, size: int) -> StockItem:
    """The pins of a kind and size for the cylinders of a spec; made where it is missing."""
    code = f"S{spec.id} {kind} {size:02d}"
    item = find_item(work.session, None, ItemKind.PIN, code)
    if item is None:
        words = f"{kind.capitalize()} pin {size}, {spec.name}"
        item = StockItem(kind=ItemKind.PIN, code=code, words=words, spec_id=spec.id, pin_kind=kind, pin_size=size)
        work.session.add(item)
        work.session.flush()
    return item


def name_item(item: StockItem) -> str:
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
