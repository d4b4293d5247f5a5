"""Importable rows: a maker's price list, each row a number with what it costs."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import repeat
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError
from app.fitting import BulkDecoder, read_maker, to_json
from app.ledger.catalog.catalog_import import columns_of, kind_of
from app.ledger.catalog.maker_queries import get_maker
from app.ledger.importing.kinds import CellKind, ImportColumn, ImportKind, ImportRows, Refuse, RowPlan, RowState
from app.ledger.store.work import Work
from app.ledger.tables import Item, Maker, longest
from app.spreadsheets import CellLook

_TABLE: Any = Item.__table__
_LOCKS = ("deadbolt", "lockset")
_NOTHING: Mapping[str, tuple[str, str]] = {}
_STEP = 5_000  # numbers in one question


class _Numbers:
    """What the numbers of a maker's list are: on record, new by the maker's pattern, or neither."""

    def __init__(self, session: Session, maker: Maker) -> None:
        self._maker = maker
        columns = ("id", "code", "words", "list_cents", "cost_cents", "unlisted_from")
        rows = sa.select(*(_TABLE.c[name] for name in columns)).where(_TABLE.c.maker_id == maker.id)
        self._known = {row[1]: row for row in session.execute(rows).all()}
        self._folded: dict[str, Any] = {}
        tables = maker.tables or {}
        self._decoder = BulkDecoder(read_maker(tables).patterns if tables else ())
        self._cams = {cam["part_number"] for cam in tables.get("cams", ()) if cam.get("part_number")}

    def on_record(self, number: str) -> Any:
        """The maker's item of this number; None where there is none."""
        found = self._known.get(number)
        if found is None:
            self._folded = self._folded or {code.upper(): row for code, row in self._known.items()}
            found = self._folded.get(number.upper())
        return found

    def made_of(self, number: str, words: str, category: str) -> dict[str, Any] | None:
        """The columns of a new item; None where nothing tells what it is."""
        attributes: dict[str, Any] = {}
        if self._decoder.patterns:
            try:
                number, read = self._decoder.read(number.upper(), explain=False)
            except BitternError:
                if category not in ("hardware", "key_blank"):
                    return None
            else:
                category, attributes = ("lock" if read.type in _LOCKS else "cylinder"), to_json(read)
        category = category or "hardware"
        return {
            "maker_id": self._maker.id,
            "code": number,
            "category": category,
            "words": words,
            "attributes": attributes,
            "kind": kind_of(category, number, words, self._cams),
            "is_stocked": False,
            **columns_of(attributes),
        }


def _others(session: Session, maker_id: int, numbers: Sequence[str]) -> Mapping[str, str]:
    """Which of these numbers are on record as another maker's, and whose."""
    found: dict[str, str] = {}
    for start in range(0, len(numbers), _STEP):
        part = Item.code.in_(numbers[start : start + _STEP])
        rows = sa.select(Item.code, Maker.name).join(Item.maker).where(part, Item.maker_id != maker_id)
        found |= dict(session.execute(rows.order_by(Maker.name.desc())).all())
    return found


def _plan(session: Session, maker_id: int | None, rows: ImportRows, refuse: Refuse) -> list[RowPlan]:
    maker = get_maker(session, maker_id or 0)
    numbers = _Numbers(session, maker)
    first: dict[str, int] = {}
    plans, unread = [], []
    given = rows.columns
    columns = (given["number"], given["list"], given.get("cost") or repeat(None), *_said(given))
    for row, number, list_cents, cost, words, category in zip(rows.numbers, *columns, strict=False):
        item = numbers.on_record(number)
        made = None
        if item is None:
            made = numbers.made_of(number, words, _category(category))
            if made is None:
                unread.append((row, number))
                continue
        code = item[1] if item is not None else made["code"] if made else number
        if (before := first.setdefault(code, row)) != row:
            refuse(row, "number", f"{code} stands in row {before} already, which counts.")
        elif list_cents == 0 or cost == 0:
            refuse(row, "cost" if list_cents else "list", "A price of 0 is none: ask the maker what it costs.")
        else:
            state = RowState.NEW if item is None else RowState.CHANGED
            if item is not None and item[3] == list_cents and cost in (None, item[4]):
                state = RowState.SAME
            plans.append(RowPlan(row, state, code, _NOTHING, (item, made, list_cents, cost)))
    others = _others(session, maker.id, [number for _, number in unread])
    for row, number in unread:
        whose = f"This is a number of {others[number]}" if number in others else "Nobody knows this number"
        refuse(row, "number", f"{whose}: the tables of {maker.name} do not read it, and no item has it.")
    return plans


def _said(given: Mapping[str, Sequence[Any]]) -> Iterator[Iterable[str]]:
    return (given.get(name) or repeat("") for name in ("words", "category"))


def _category(said: str) -> str:
    """What the list calls a key blank or hardware; "" of anything else.

    >>> _category("Key Blanks"), _category("hardware"), _category("Series 7")
    ('key_blank', 'hardware', '')
    """
    folded = said.casefold().replace("_", " ")
    return "key_blank" if "blank" in folded else "hardware" if folded in ("hardware", "goods", "accessory") else ""


def _save(work: Work, maker_id: int | None, plans: Sequence[RowPlan], rows: ImportRows) -> None:
    """A price list is taken by `take_price_list`, which knows its day and what is left."""
    raise NotImplementedError


PRICE_LIST = ImportKind(
    "price list",
    "Price list",
    "item",
    (
        ImportColumn(
            name="number",
            words="Number",
            also=(
                *(
                    "part number",
                    "part no",
                    "part",
                    "item number",
                    "item no",
                    "item",
                    "code",
                    "sku",
                    "catalog number",
                ),
                *("catalog no", "cat no", "model", "product", "product code", "ref"),
            ),
            look=CellLook.CODE,
            cell=CellKind.CODE,
            most=longest(Item.code),
            is_needed=True,
        ),
        ImportColumn(
            name="words",
            words="What it is",
            also=("description", "desc", "words", "item description", "name", "product description"),
            most=longest(Item.words),
        ),
        ImportColumn(
            name="list",
            words="List price",
            also=(
                *("list", "price", "list each", "msrp", "retail", "retail price", "unit price", "list price usd"),
                *("new list", "new list price", "new price", "price each", "suggested retail"),
            ),
            look=CellLook.MONEY,
            cell=CellKind.MONEY,
            is_needed=True,
        ),
        ImportColumn(
            name="cost",
            words="Our cost",
            also=(
                *("cost", "net", "net price", "dealer", "dealer price", "dealer net", "your price", "your cost"),
                *("distributor", "distributor price", "new cost", "net each", "wholesale"),
            ),
            look=CellLook.MONEY,
            cell=CellKind.MONEY,
        ),
        ImportColumn(name="category", words="Kind", also=("category", "type", "group", "class"), most=60),
    ),
    _plan,
    _save,
    hint="A maker's new prices, shown beside the old ones.",
    about="maker",
    about_columns=(),
)
