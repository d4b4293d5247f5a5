"""Importable rows: a maker's price list, each row a number with what it costs, beside what is on record."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum
from fractions import Fraction
from itertools import repeat
from typing import Any, NamedTuple

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError
from app.fitting import BulkDecoder, read_maker, to_json
from app.ledger.catalog.item_prices import ListedPrice, waiting_prices
from app.ledger.catalog.maker_items import cams_of, columns_of, kind_of
from app.ledger.catalog.maker_queries import get_maker
from app.ledger.catalog.price_list import CATEGORY_HEADINGS, COST_HEADINGS, WORD_HEADINGS
from app.ledger.importing.goods import LIST, NUMBER
from app.ledger.importing.kinds import CellKind, ImportColumn, ImportKind, ImportRows, Refuse, RowPlan
from app.ledger.store.engine import in_steps, read_columns
from app.ledger.store.work import Work
from app.ledger.tables import Item, Maker, longest
from app.pricing import half_up
from app.spreadsheets import CellLook

_TABLE: Any = Item.__table__
_LOCKS = ("deadbolt", "lockset")


class ListState(StrEnum):
    """What a list does with an item."""

    NEW = "new"
    GONE = "gone"
    DEARER = "dearer"
    CHEAPER = "cheaper"
    SAME = "as it is"


class ListChange(NamedTuple):
    """An item before and after, cents each. row: where the list has it, 0 of what is gone; made: the columns of a
    new item.
    """

    state: ListState
    code: str
    words: str
    item_id: int | None
    row: int
    was_list: int | None
    was_cost: int
    list_cents: int | None
    cost_cents: int
    made: Mapping[str, Any] | None = None
    unlisted_from: date | None = None

    @property
    def before(self) -> ListedPrice:
        """What it was listed at, and what it cost."""
        return ListedPrice(self.was_list, self.was_cost)

    @property
    def after(self) -> ListedPrice:
        """What the list makes of that."""
        return ListedPrice(self.list_cents, self.cost_cents)

    @property
    def rise(self) -> Decimal:
        """By how many percent the list price rises, or the cost where list stays; below 0 where it falls."""
        was, now = self.was_list, self.list_cents
        if was == now or not was or now is None:
            was, now = self.was_cost, self.cost_cents
        # To the millionth of a percent: the sum of exact fractions of 50,000 items takes minutes.
        return Decimal(100_000_000 * (now - was) // was).scaleb(-6) if was else Decimal(0)

    @property
    def percent(self) -> Decimal:
        """The same with one decimal."""
        return tenths(self.rise)


def tenths(percent: Decimal) -> Decimal:
    """Percent with one decimal.

    >>> tenths(Decimal("3.55")), tenths(Decimal("-33.333333"))
    (Decimal('3.6'), Decimal('-33.3'))
    """
    return percent.quantize(Decimal("0.1"), ROUND_HALF_UP)


class _Numbers:
    """What the numbers of a maker's list are: on record, new by the maker's pattern, or neither."""

    def __init__(self, session: Session, maker: Maker) -> None:
        self._maker = maker
        names = ("id", "code", "words", "list_cents", "cost_cents", "unlisted_from")
        rows = sa.select(*(_TABLE.c[name] for name in names)).where(_TABLE.c.maker_id == maker.id)
        self.ids, self.codes, self.words, self.lists, self.costs, self.unlisted = read_columns(session, rows)
        self.place_of = dict(zip(self.codes, range(len(self.codes)), strict=True))
        self._folded: dict[str, int] = {}
        tables = maker.tables or {}
        self._decoder = BulkDecoder(read_maker(tables).patterns if tables else ())
        self._cams = cams_of(tables)

    def folded(self, number: str) -> int | None:
        """The place of the maker's item of this number whatever its letters; None where there is none."""
        self._folded = self._folded or {code.upper(): place for code, place in self.place_of.items()}
        return self._folded.get(number.upper())

    def gone(
        self, met: Collection[str], named: Iterable[str], waiting: Mapping[int, ListedPrice]
    ) -> list[ListChange]:
        """What is listed and not among the codes that were met, nor among what the list names, by code."""
        left = [
            place
            for place, code in enumerate(self.codes)
            if code not in met and self.lists[place] is not None and self.unlisted[place] is None
        ]
        said = {text.upper() for text in named} if left else set()
        found = []
        for place in left:
            if self.codes[place].upper() not in said:
                was = waiting.get(self.ids[place]) or (self.lists[place], self.costs[place])
                item = self.codes[place], self.words[place], self.ids[place]
                found.append(ListChange(ListState.GONE, *item, 0, *was, *was))
        return sorted(found, key=lambda one: one.code)

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
    for some in in_steps(numbers):
        named = Item.code.in_(some)
        rows = sa.select(Item.code, Maker.name).join(Item.maker).where(named, Item.maker_id != maker_id)
        found |= dict(session.execute(rows.order_by(Maker.name.desc())).all())
    return found


def compare_rows(
    session: Session,
    maker: Maker,
    rows: ImportRows,
    refuse: Refuse,
    day: date,
    named: Sequence[str],
    *,
    costs_follow: bool = False,
) -> list[ListChange]:
    """What the rows of a maker's list would change from a day on, and then what is gone by it.

    named: what stands in the list for a number, whatever is wrong with its row: none of that is gone; where most of
    it is none of the maker's, nothing is.
    """
    on_record, waiting = _Numbers(session, maker), waiting_prices(session, day)
    ids, codes, lists, costs = on_record.ids, on_record.codes, on_record.lists, on_record.costs
    unlisted, place_of, given = on_record.unlisted, on_record.place_of, rows.columns
    same, dearer, cheaper = ListState.SAME, ListState.DEARER, ListState.CHEAPER
    first: dict[str, int] = {}
    changes: list[ListChange] = []
    unread = []
    columns = (given["number"], given["list"], given.get("cost") or repeat(None), *_said(given))
    for row, number, list_cents, cost, words, category in zip(rows.numbers, *columns, strict=False):
        place = place_of.get(number)
        made = None
        if place is None and (place := on_record.folded(number)) is None:
            made = on_record.made_of(number, words, _category(category))
            if made is None:
                unread.append((row, number))
                continue
            place = place_of.get(made["code"])  # its pieces were put together otherwise
        code = codes[place] if place is not None else made["code"] if made else number
        if (before := first.setdefault(code, row)) != row:
            refuse(row, "number", f"{code} stands in row {before} already, which counts.")
        elif list_cents == 0 or cost == 0:
            refuse(row, "cost" if list_cents else "list", "A price of 0 is none: ask the maker what it costs.")
        elif place is None:
            changes.append(ListChange(ListState.NEW, code, words, None, row, None, 0, list_cents, cost or 0, made))
        else:
            item_id, was_list, was_cost, gone_on = ids[place], lists[place], costs[place], unlisted[place]
            if item_id in waiting:
                was_list, was_cost = waiting[item_id]
            if cost is None:
                cost = half_up(Fraction(was_cost * list_cents, was_list)) if costs_follow and was_list else was_cost
            if gone_on is not None:
                state = ListState.NEW
            elif was_list == list_cents:
                state = same if was_cost == cost else dearer if cost > was_cost else cheaper
            else:
                state = ListState.NEW if was_list is None else dearer if list_cents > was_list else cheaper
            prices = was_list, was_cost, list_cents, cost
            changes.append(ListChange(state, code, on_record.words[place], item_id, row, *prices, None, gone_on))
    _refuse_unread(session, maker, unread, refuse)
    if 2 * len(changes) < len(named):
        return changes
    return [*changes, *on_record.gone(first, named, waiting)]


def _refuse_unread(session: Session, maker: Maker, unread: Sequence[tuple[int, str]], refuse: Refuse) -> None:
    others = _others(session, maker.id, [number for _, number in unread])
    for row, number in unread:
        whose, mend = "Nobody knows this number", " Send the list under Learn its numbers as well, or add the item."
        if number in others:
            whose, mend = f"This is a number of {others[number]}", ""
        refuse(row, "number", f"{whose}: the tables of {maker.name} do not read it, and no item has it.{mend}")


def _plan(session: Session, maker_id: int | None, rows: ImportRows, refuse: Refuse) -> list[RowPlan]:
    """Its problems alone: what a list changes is told by `compare_list`, which knows its day."""
    compare_rows(
        session, get_maker(session, maker_id or 0), rows, refuse, rows.today or date.min, rows.columns["number"]
    )
    return []


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
        NUMBER,
        ImportColumn(name="words", words="What it is", also=WORD_HEADINGS, most=longest(Item.words)),
        replace(LIST, is_needed=True),
        ImportColumn(name="cost", words="Our cost", also=COST_HEADINGS, look=CellLook.MONEY, cell=CellKind.MONEY),
        ImportColumn(name="category", words="Kind", also=(*CATEGORY_HEADINGS, "type"), most=60),
    ),
    _plan,
    _save,
    hint="A maker's new prices, shown beside the old ones.",
    about="maker",
    about_columns=(),
)
