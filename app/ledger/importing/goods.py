"""Importable rows: what makers sell, with list and cost, and what was counted on the shelf."""

from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError
from app.fitting import CATEGORIES, KEYED_CATEGORIES, BulkDecoder, CatalogItem, read_maker, to_json
from app.ledger.catalog.items import ordering_problems
from app.ledger.catalog.maker_items import cams_of, item_values
from app.ledger.catalog.price_list import (
    CATEGORY_HEADINGS,
    COST_HEADINGS,
    LIST_HEADINGS,
    NUMBER_HEADINGS,
    STOCKED_HEADINGS,
    WORD_HEADINGS,
)
from app.ledger.importing.kinds import CellKind, ImportColumn, ImportKind, ImportRows, Refuse, RowPlan, RowState
from app.ledger.stock.handling import ShelfForm, count_item
from app.ledger.stock.movements import newest_movement, quantities
from app.ledger.stock.stock_queries import list_places
from app.ledger.store.engine import rows_by_id
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import SHELF, Import, Item, ItemKind, Maker, StockMovement, StockPlace, longest
from app.pricing import show_cents
from app.spreadsheets import CellLook
from app.validation import counted

_MAKER = ImportColumn(
    name="maker", words="Maker", also=("manufacturer", "mfr", "brand", "make", "vendor"), most=longest(Maker.name)
)
NUMBER = ImportColumn(
    name="number",
    words="Part number",
    also=(*NUMBER_HEADINGS, "product"),
    look=CellLook.CODE,
    cell=CellKind.CODE,
    most=longest(Item.code),
    is_needed=True,
)
LIST = ImportColumn(name="list", words="List price", also=LIST_HEADINGS, look=CellLook.MONEY, cell=CellKind.MONEY)


class _Makers:
    """Makers by name and code, whatever the letters."""

    def __init__(self, session: Session) -> None:
        self.by_name: dict[str, Maker] = {}
        for maker in session.scalars(sa.select(Maker).order_by(Maker.id.desc())):
            self.by_name |= {maker.code.casefold(): maker, maker.name.casefold(): maker}

    def named(self, row: int, name: str, refuse: Refuse) -> Maker | None:
        """The maker of this name; refuses the row where there is none."""
        found = self.by_name.get(name.casefold())
        if found is None:
            known = ", ".join(dict.fromkeys(maker.name for maker in self.by_name.values()))[:120]
            if name:
                refuse(row, "maker", f"{name[:40]!r} is no maker of this house ({known}): add it first.")
            else:
                told = "Nothing says whose it is: send the table from its maker's page, or name"
                refuse(row, "maker", f"{told} the maker in a column ({known}).")
        return found


_FIELDS = {
    "words": "words",
    "category": "category",
    "list_cents": "list",
    "cost_cents": "cost",
    "is_stocked": "stocked",
}
_SHELF = {"bin": "", "reorder_point": None, "reorder_to": None, "pack_size": 1, "lead_days": None}
"""How an item is kept and ordered, by the column of the item, and what holds where nothing was said."""
_COMPARED = _FIELDS | {name: name.replace("_", " ") for name in _SHELF}


def _shown(name: str, value: Any) -> str:
    if name.endswith("_cents"):
        return "" if value is None else show_cents(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else str(value)


class _GoodsOfMaker:
    """What the rows of one maker mean: its patterns read what is keyed, and what is on record stands beside it."""

    def __init__(self, session: Session, maker: Maker) -> None:
        self.maker = maker
        self.decoder = BulkDecoder(read_maker(maker.tables).patterns if maker.tables else ())
        self.cams = cams_of(maker.tables)
        table = Item.__table__
        columns = ("id", "code", "attributes", *_COMPARED)
        rows = sa.select(*(table.c[name] for name in columns)).where(Item.maker_id == maker.id).order_by(Item.id)
        self.known = {row.code: row for row in session.execute(rows)}
        self.rows: dict[str, int] = {}

    def plan(self, row: int, values: Mapping[str, Any], refuse: Refuse) -> RowPlan | None:
        """What a row would do; None where it is refused."""
        number, category = values["number"], values.get("category", "")
        before = self.known.get(number)
        attributes: dict[str, Any] = {}
        if self.decoder.patterns and (category in KEYED_CATEGORIES or not category):
            try:
                number, made = self.decoder.read(number, explain=bool(category))
                attributes, category = to_json(made), category or "cylinder"
                before = self.known.get(number)
            except BitternError as error:
                if category:
                    refuse(row, "number", error.message)
                    return None
        first = self.rows.setdefault(number, row)
        if first != row:
            refuse(row, "number", f"{number} stands in row {first} already.")
            return None
        if before is None:
            for name, what in (("words", "a description"), ("list", "a list price")):
                if values.get(name) in ("", None):
                    refuse(row, name, f"{number} is new: give it {what}.")
                    return None
        item = CatalogItem(
            number,
            self.maker.name,
            category or (before.category if before else "hardware"),
            values.get("words") or (before.words if before else ""),
            _first(values.get("cost"), before.cost_cents if before else 0),
            _first(values.get("list"), before.list_cents if before else 0),
            values["stocked"] == "yes" if values.get("stocked") else bool(before and before.is_stocked),
        )
        after = item_values(self.maker.id, item, attributes or (before.attributes if before else {}), self.cams)
        for name, otherwise in _SHELF.items():
            said = values.get(_COMPARED[name])
            after[name] = said if said not in ("", None) else getattr(before, name) if before else otherwise
        if wrong := ordering_problems(after["reorder_point"], after["reorder_to"], after["pack_size"]):
            for problem in wrong:
                refuse(row, _COMPARED[problem.field], problem.message)
            return None
        fields = {
            words: (_shown(name, getattr(before, name)) if before else "", _shown(name, after[name]))
            for name, words in _COMPARED.items()
            if (after[name] != _SHELF.get(name, ...) if before is None else getattr(before, name) != after[name])
        }
        state = RowState.NEW if before is None else RowState.CHANGED if fields else RowState.SAME
        return RowPlan(row, state, f"{self.maker.name} {number}", fields, (before.id if before else None, after))


def _first(value: int | None, otherwise: int | None) -> int:
    return value if value is not None else otherwise or 0


def _plan_goods(session: Session, maker_id: int | None, rows: ImportRows, refuse: Refuse) -> list[RowPlan]:
    makers = _Makers(session)
    read: dict[int, _GoodsOfMaker] = {}
    own = session.get_one(Maker, maker_id) if maker_id is not None else None
    plans = []
    for row, values in rows:
        maker = own or makers.named(row, values.get("maker", ""), refuse)
        if maker is None:
            continue
        if maker.id not in read:
            read[maker.id] = _GoodsOfMaker(session, maker)
        if plan := read[maker.id].plan(row, values, refuse):
            plans.append(plan)
    return plans


def _save_goods(work: Work, _: int | None, plans: Sequence[RowPlan], __: ImportRows) -> None:
    by_maker: dict[int, int] = {}
    items = rows_by_id(work.session, Item, [plan.value[0] for plan in plans if plan.value[0] is not None])
    for plan in plans:
        item_id, after = plan.value
        by_maker[after["maker_id"]] = by_maker.get(after["maker_id"], 0) + 1
        if item_id is None:
            work.session.add(Item(**after))
            continue
        item = items[item_id]
        for name, value in after.items():
            if name not in ("maker_id", "code", "version"):
                setattr(item, name, value)
    work.session.flush()
    for maker_id, count in sorted(by_maker.items()):
        said = f"{counted(count, 'item')} new or changed, from a table"
        record(work, "catalogue loaded", f"maker {maker_id}", said)


def _categories(_: Session) -> dict[str, str]:
    return {one: one.replace("_", " ") for one in CATEGORIES}


GOODS = ImportKind(
    "goods",
    "Goods",
    "item",
    (
        _MAKER,
        NUMBER,
        ImportColumn(
            name="words",
            words="Description",
            also=WORD_HEADINGS,
            look=CellLook.WORDS,
        ),
        ImportColumn(
            name="category",
            words="Kind",
            also=(*CATEGORY_HEADINGS, "type"),
            cell=CellKind.CHOICE,
            choices=_categories,
        ),
        LIST,
        ImportColumn(
            name="cost",
            words="Cost",
            also=COST_HEADINGS,
            cell=CellKind.MONEY,
        ),
        ImportColumn(name="stocked", words="In stock", also=STOCKED_HEADINGS, cell=CellKind.YES_NO),
        ImportColumn(name="bin", words="Bin", also=("bin location", "shelf", "bin no"), most=longest(Item.bin)),
        ImportColumn(
            name="reorder point",
            words="Reorder point",
            also=("reorder at", "min", "minimum", "min qty", "minimum stock", "reorder level"),
            cell=CellKind.WHOLE,
        ),
        ImportColumn(
            name="reorder to",
            words="Order up to",
            also=("max", "maximum", "max qty", "maximum stock", "order up to"),
            cell=CellKind.WHOLE,
        ),
        ImportColumn(
            name="pack size",
            words="Pack",
            also=("pack", "pack qty", "packing", "pack quantity", "per pack", "box qty", "case qty"),
            cell=CellKind.WHOLE,
        ),
        ImportColumn(
            name="lead days", words="Lead time, working days", also=("lead time", "lead days"), cell=CellKind.WHOLE
        ),
    ),
    _plan_goods,
    _save_goods,
    hint="A row a part number. What is new needs a description and a list price; an empty cell changes nothing.",
    about="maker",
    about_columns=("maker",),
)


def _places(session: Session) -> dict[str, str]:
    return {place.name: place.name for place in list_places(session)}


def _plan_stock(session: Session, _: int | None, rows: ImportRows, refuse: Refuse) -> list[RowPlan]:
    makers: dict[int | None, str] = dict(session.execute(sa.select(Maker.id, Maker.name)).all())
    places = {place.name: place.id for place in session.scalars(sa.select(StockPlace))}
    by_code: dict[str, list[Any]] = {}
    columns = sa.select(Item.id, Item.code, Item.maker_id, Item.kind, Item.words)
    for item in session.execute(columns.where(Item.kind.not_in((ItemKind.PIN, ItemKind.LABOR))).order_by(Item.id)):
        by_code.setdefault(item.code.casefold(), []).append(item)
    there: dict[int, Any] = {}
    seen: dict[tuple[int, int], int] = {}
    plans = []
    for row, values in rows:
        found = by_code.get(values["number"].casefold(), [])
        if maker := values.get("maker", ""):
            found = [one for one in found if makers.get(one.maker_id, "").casefold() == maker.casefold()]
        if len(found) != 1:
            told = ", ".join(makers.get(one.maker_id, "the house's own") for one in found[:4])
            why = (
                f"is an item of several makers ({told}): say which" if found else "is no item yet: import goods first"
            )
            refuse(row, "maker" if found else "number", f"{values['number']} {why}.")
            continue
        item, place = found[0], places[values["place"]] if values.get("place") else SHELF
        first = seen.setdefault((item.id, place), row)
        if first != row:
            refuse(row, "number", f"{item.code} stands in row {first} already.")
            continue
        if place not in there:
            there[place] = quantities(session, [one.id for some in by_code.values() for one in some], place)
        sums, count = there[place][item.id], values["count"]
        is_same = sums.is_counted and sums.on_hand == count
        before = f"{sums.on_hand:,}" if sums.is_counted else "never counted"
        fields = {} if is_same else {"on hand": (before, f"{count:,}")}
        state = RowState.SAME if is_same else RowState.CHANGED if sums.is_counted else RowState.NEW
        plans.append(RowPlan(row, state, f"{item.code} {item.words}".strip()[:120], fields, (item.id, place, count)))
    return plans


def _save_stock(work: Work, _: int | None, plans: Sequence[RowPlan], __: ImportRows) -> None:
    for plan in plans:
        item_id, place, count = plan.value
        mark = newest_movement(work.session)
        count_item(work, item_id, ShelfForm(count, "counted, from a table", place, mark))


def _counted(session: Session, written: Mapping[str, Any]) -> Sequence[StockMovement]:
    ids = [id_ for id_, _ in written.get(StockMovement.__tablename__, {}).get("new", ())]
    rows = sa.select(StockMovement).where(StockMovement.id.in_(ids), StockMovement.on_hand != 0)
    return session.scalars(rows.order_by(StockMovement.id)).all()


def _stock_moved(session: Session, row: Import) -> tuple[str, ...]:
    """Items of a count that moved since: what was counted is no longer what is there."""
    written = row.written
    newest = max((id_ for id_, _ in written.get(StockMovement.__tablename__, {}).get("new", ())), default=0)
    items = {one.item_id for one in _counted(session, written)}
    moved = sa.select(sa.func.count(StockMovement.item_id.distinct()))
    moved = moved.where(StockMovement.id > newest, StockMovement.item_id.in_(items))
    count = session.scalar(moved) or 0
    return (f"{counted(count, 'item')} moved since",) if count else ()


def _uncount(work: Work, written: Mapping[str, Any]) -> None:
    """Movements stay: each is booked back."""
    for one in _counted(work.session, written):
        now = quantities(work.session, [one.item_id], one.place_id)[one.item_id]
        if (left := now.on_hand - one.on_hand) < 0:
            raise LedgerError("", "This count cannot be undone any more: what it found is gone.")
        form = ShelfForm(left, "count from a table undone", one.place_id, newest_movement(work.session))
        count_item(work, one.item_id, form)


STOCK = ImportKind(
    "stock",
    "Stock, a count",
    "item",
    (
        NUMBER,
        _MAKER,
        ImportColumn(
            name="count",
            words="On hand",
            also=("quantity", "qty", "count", "counted", "on hand qty", "qty on hand", "stock", "found"),
            look=CellLook.WHOLE,
            cell=CellKind.WHOLE,
            is_needed=True,
        ),
        ImportColumn(
            name="place", words="Place", also=("location", "warehouse"), cell=CellKind.CHOICE, choices=_places
        ),
    ),
    _plan_stock,
    _save_stock,
    hint="A row an item and how many lie there: what is counted now stands in place of the sum.",
    leans=_stock_moved,
    take_back=_uncount,
)
