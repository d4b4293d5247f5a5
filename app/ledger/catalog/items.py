"""An item of the book of goods added or changed by hand, with its own price; many prices filled in at once."""

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from datetime import date
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError, Problem, Problems
from app.fitting import KEYED_CATEGORIES, BulkDecoder, read_maker, to_json
from app.ledger.catalog.maker_items import columns_of
from app.ledger.catalog.price_editing import cents_mark, set_price
from app.ledger.catalog.price_queries import price_beginning
from app.ledger.store.engine import get_row, get_version, transaction
from app.ledger.store.errors import LedgerError, Taken
from app.ledger.store.events import record
from app.ledger.store.records import set_changed, text_problems
from app.ledger.store.work import Work
from app.ledger.tables import Item, ItemKind, Maker, PriceBookRow
from app.pricing import MAX_CENTS, PriceKind, PriceRow, show_cents

PIECES = (ItemKind.PIN, ItemKind.UNPINNED)
"""What the bench counts by size or type: it is no code that a price could be for."""
_CATEGORIES = {ItemKind.PART: "cylinder", ItemKind.LOCK: "lock", ItemKind.BLANK: "key_blank"}
_OWN_CATEGORIES = {ItemKind.LABOR: "labor"}


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


@dataclass(frozen=True, slots=True)
class ItemForm:
    """What is kept of an item. maker_id None: the house's own. category: of the house's own, "" for the usual one.

    list_cents None: the maker lists no price. price_cents: everybody's price each from today on, None for none of its
    own; is_thin_meant: it may leave a thin margin; is_barcode_meant: a new barcode's check digit may not fit.
    """

    code: str
    words: str
    maker_id: int | None = None
    kind: ItemKind = ItemKind.GOODS
    category: str = ""
    list_cents: int | None = None
    cost_cents: int = 0
    price_cents: int | None = None
    is_thin_meant: bool = False
    is_barcode_meant: bool = False
    is_stocked: bool = False
    bin: str = ""
    barcode: str = ""
    reorder_point: int | None = None
    reorder_to: int | None = None
    pack_size: int = 1
    lead_days: int | None = None


def item_form(item: Item) -> ItemForm:
    """What is kept of an item, as the form that would change nothing."""
    names = (one.name for one in fields(ItemForm) if one.name in Item.__table__.columns)
    return ItemForm(**{name: getattr(item, name) for name in names})


def save_item(work: Work, form: ItemForm, item_id: int | None = None, version: int = 0) -> Item:
    """Add an item, or change one that was read at `version`; events say what. Problems by field.

    Of a maker whose pattern is on record a cylinder's or lock's number is read by it, and what it is stands with it.
    A number that has a price or was counted stays as it is.
    """
    work.require_owner()
    problems = _problems(form)
    if problems:
        raise Problems(problems)
    with transaction(work.session):
        if item_id is None:
            item = Item(kind=form.kind, code="")
        else:
            item = get_version(work.session, Item, item_id, "item", version)
        if (
            form.barcode != (item.barcode or "")
            and not form.is_barcode_meant
            and (fault := fault_of_barcode(form.barcode))
        ):
            raise LedgerError("is_barcode_meant", f"{fault} Scan it again, or tick this to keep it all the same.")
        values = {name: value for name, value in asdict(form).items() if name in Item.__table__.columns}
        if item.kind in PIECES:
            values |= {name: getattr(item, name) for name in ("code", "maker_id", "kind", "category", "list_cents")}
        else:
            values |= _named(work.session, item, form)
        is_new = item_id is None
        changed = set_changed(item, values)
        work.session.add(item)
        work.session.flush()
        if is_new or changed:
            said = "added" if is_new else ", ".join(name.replace("_", " ").removesuffix(" cents") for name in changed)
            record(work, "item saved", item_subject(item.id), f"{item.code}: {said}")
        _put_own_price(work, item, form)
        return item


def item_subject(item_id: int) -> str:
    """The subject of an item's events."""
    return f"item {item_id}"


def _problems(form: ItemForm) -> list[Problem]:
    problems = text_problems(form, Item)
    problems += [
        Problem(field, "Enter a whole number, 0 or more.")
        for field in ("reorder_point", "reorder_to", "lead_days", "cost_cents", "list_cents", "price_cents")
        if (getattr(form, field) or 0) < 0
    ]
    problems += [
        Problem(field, "This is more than any price may be.")
        for field in ("cost_cents", "list_cents", "price_cents")
        if (getattr(form, field) or 0) > MAX_CENTS
    ]
    problems += ordering_problems(form.reorder_point, form.reorder_to, form.pack_size)
    if not form.code:
        problems.append(Problem("code", "Enter the part number, or a short code of your own."))
    if not form.words:
        problems.append(Problem("words", "Enter what it is."))
    if form.maker_id is not None and form.kind is ItemKind.LABOR:
        problems.append(Problem("kind", "Labor is the house's own: choose no maker."))
    return problems


def ordering_problems(reorder_point: int | None, reorder_to: int | None, pack_size: int) -> list[Problem]:
    """What is wrong with when an item is ordered, and how many at once."""
    problems = []
    if pack_size < 1:
        problems.append(Problem("pack_size", "Enter a whole number, 1 or more."))
    if reorder_to is not None and reorder_point is None:
        problems.append(Problem("reorder_point", "Enter the reorder point too: when is it ordered?"))
    if reorder_to is not None and reorder_to < (reorder_point or 0):
        problems.append(Problem("reorder_to", "Order up to at least the reorder point."))
    return problems


def _named(session: Session, item: Item, form: ItemForm) -> dict[str, Any]:
    """Number, maker and kind, and what follows from them."""
    if form.kind in PIECES:
        raise LedgerError(
            "kind", "Pins, and cylinders without pins, are made where they are counted: choose another."
        )
    values: dict[str, Any] = {"code": form.code, "maker_id": form.maker_id, "kind": form.kind}
    if form.maker_id is None:
        usual = item.category or _OWN_CATEGORIES.get(form.kind, "hardware")
        values |= {"category": form.category or usual, "list_cents": None}
    else:
        values["category"] = _CATEGORIES.get(form.kind, "hardware")
    is_other = (item.code, item.maker_id) != (form.code, form.maker_id)
    if is_other or item.kind is not form.kind:
        values |= _read_number(session, form, values["category"])
    if is_other:
        if item.id is not None and (item.is_counted or _has_price(session, item.code)):
            raise LedgerError(
                "code", f"{item.code} has a price or was counted, so its number stays: add another item."
            )
        mine = Item.maker_id.is_(None) if form.maker_id is None else Item.maker_id == form.maker_id
        same = sa.select(Item.id).where(mine, Item.code == values["code"], Item.kind.not_in(PIECES))
        if session.scalar(same) not in (None, item.id):
            raise Taken("code", f"{values['code']} is in the book already: change that one.")
    return values


def _read_number(session: Session, form: ItemForm, category: str) -> dict[str, Any]:
    """The number as its maker writes it and what it means, where the maker's pattern says so."""
    if form.maker_id is None or category not in KEYED_CATEGORIES:
        return {"attributes": {}}
    patterns = read_maker(get_row(session, Maker, form.maker_id, "maker").tables).patterns
    if not patterns:
        return {"attributes": {}}
    try:
        written, made = BulkDecoder(patterns).read(form.code)
    except BitternError as error:
        raise LedgerError("code", error.message) from error
    attributes = to_json(made)
    return {"code": written, "attributes": attributes, **columns_of(attributes)}


def _has_price(session: Session, code: str) -> bool:
    return session.scalar(sa.select(PriceBookRow.id).where(PriceBookRow.code == code).limit(1)) is not None


def _put_own_price(work: Work, item: Item, form: ItemForm) -> None:
    """Everybody's price of the item from today on, where it or the cost beside it is another than now."""
    if form.price_cents is None or item.kind in PIECES:
        return
    row = own_price(work.session, item.code, work.today)
    if row is not None and (row.unit_cents, row.cost_cents) == (form.price_cents, form.cost_cents):
        return
    begun = price_beginning(work.session, item.code, "", 1, work.today)
    price = PriceRow(
        code=item.code,
        description=item.words,
        category=item.category,
        kind=PriceKind.LABOR if item.kind is ItemKind.LABOR else PriceKind.GOODS,
        unit_cents=form.price_cents,
        cost_cents=form.cost_cents,
        valid_from=work.today,
    )
    try:
        set_price(work, price, cents_mark(begun) if begun else "", is_thin_meant=form.is_thin_meant)
    except BitternError as error:
        field = "price_cents" if error.field == "unit_cents" else error.field
        raise LedgerError(field, error.message) from error


def own_price(session: Session, code: str, today: date) -> PriceBookRow | None:
    """Everybody's price of one piece that holds on a day."""
    rows = sa.select(PriceBookRow).where(
        PriceBookRow.code == code,
        PriceBookRow.tier == "",
        PriceBookRow.quantity_from == 1,
        PriceBookRow.valid_from <= today,
        sa.or_(PriceBookRow.valid_until.is_(None), PriceBookRow.valid_until >= today),
    )
    return session.scalar(rows.order_by(PriceBookRow.valid_from.desc()).limit(1))


def fill_prices(work: Work, cents: Mapping[int, int]) -> int:
    """Give items (by id) everybody's price from today on, each at its item's cost; how many. Problems by the item's
    id, as `price-7`.
    """
    work.require_owner()
    problems: list[Problem] = []
    with transaction(work.session):
        for item_id, price_cents in cents.items():
            item = get_row(work.session, Item, item_id, "item")
            form = ItemForm(item.code, item.words, price_cents=price_cents, cost_cents=item.cost_cents)
            try:
                if not 0 <= price_cents <= MAX_CENTS:
                    raise BitternError("", f"Enter a price from 0 to {show_cents(MAX_CENTS)}.")
                _put_own_price(work, item, form)
            except BitternError as error:
                problems.append(Problem(f"price-{item_id}", error.message))
        if problems:
            raise Problems(problems)
    return len(cents)
