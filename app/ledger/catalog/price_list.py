"""A maker's price list as it was sent: its columns, its rows with words and prices, what is wrong by row."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from app.errors import BitternError, Problem
from app.pricing import half_up, read_percent
from app.spreadsheets import (
    CellLook,
    FoundTable,
    WantedColumn,
    cell_code,
    cell_money,
    cell_whole_cents,
    find_table,
    guess_columns,
    heading_key,
    money_style,
    open_sheet,
    says_cents,
)
from app.validation import JsonDataclass

LONGEST_NUMBER = 60
LONGEST_WORDS = 200
_BESIDE = frozenset(
    ("finish", "length", "size", "keyway", "keyways", "cam", "chambers", "pins", "function", "tailpiece", "hand")
)
"""Headings of columns whose cells belong to the words of their row, as those of 'Description' do."""
_SAYS_WHAT = {"keyway": "keyway", "keyways": "keyway", "tailpiece": "tailpiece"}
"""Of those the ones without which a cell such as 'W7' says nothing."""
_YES = frozenset(("y", "yes", "true", "1", "x", "s", "stock", "stocked", "in stock"))


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceListColumn(WantedColumn):
    """A column that a price list may have."""

    words: str
    is_needed: bool = False


NUMBER_HEADINGS = (
    *("number", "part number", "part no", "part", "item number", "item no", "item", "catalog number", "catalog no"),
    *("catalogue number", "cat no", "model", "model number", "model no", "sku", "code", "product code", "order code"),
    *("article", "article number", "product number", "stock number", "part #", "item #", "#", "ref"),
)
WORD_HEADINGS = (
    *("description", "desc", "item description", "product description", "words", "details", "text", "name"),
    "product name",
)
LIST_HEADINGS = (
    *("list price", "list", "msrp", "price", "unit list", "list ea", "list each", "list price each", "retail"),
    *("retail price", "list price usd", "list usd", "price usd", "unit price", "us list", "suggested retail"),
    *("price list", "price each", "new list", "new list price", "new price"),
)
COST_HEADINGS = (
    *("cost", "net", "net price", "cost price", "your price", "your cost", "our cost", "dealer", "dealer price"),
    *("dealer cost", "dealer net", "price net", "net each", "distributor", "distributor price", "new cost"),
    "wholesale",
)
CATEGORY_HEADINGS = ("category", "class", "group", "product group", "department")
STOCKED_HEADINGS = ("stocked", "stock", "in stock", "stock item")
"""What makers and shops write over numbers, words, list prices, costs and kinds of goods; in every table of them."""
COLUMNS = (
    PriceListColumn("number", NUMBER_HEADINGS, CellLook.CODE, words="Part number", is_needed=True),
    PriceListColumn("words", (*WORD_HEADINGS, "product"), CellLook.WORDS, words="Words, what it is"),
    PriceListColumn("list", LIST_HEADINGS, CellLook.MONEY, words="List price", is_needed=True),
    PriceListColumn("cost", COST_HEADINGS, words="Our cost"),
    PriceListColumn(
        "discount",
        ("discount", "disc", "% off", "off list", "discount %", "our discount", "your discount"),
        words="Percent off list for us",
    ),
    PriceListColumn("stocked", STOCKED_HEADINGS, words="Stocked, yes or no"),
    PriceListColumn("category", (*CATEGORY_HEADINGS, "kind"), words="Category"),
)


@dataclass(frozen=True, slots=True)
class PriceListColumns(JsonDataclass):
    """Which column is which, by place; several can have words."""

    columns: Mapping[str, int]
    words: tuple[int, ...] = ()

    @property
    def missing(self) -> tuple[str, ...]:
        """Columns that are needed and not there, in words."""
        return tuple(column.words for column in COLUMNS if column.is_needed and column.name not in self.columns)


@dataclass(frozen=True, slots=True)
class PriceListRow(JsonDataclass):
    """A row of a price list: its number and words; cents; the list's category. None: no cell has the cost, or says
    whether it is stocked.
    """

    row: int
    number: str
    words: str
    list_cents: int
    cost_cents: int | None = None
    is_stocked: bool | None = None
    category: str = ""


@dataclass(frozen=True, slots=True)
class PriceList:
    """The rows that can be read, each number once; the problems of the others by row and column; what is told."""

    rows: tuple[PriceListRow, ...]
    problems: tuple[Problem, ...] = ()
    notes: tuple[str, ...] = ()
    has_cost: bool = field(default=False, compare=False)


def open_price_list(name: str, content: bytes) -> FoundTable:
    """The table of a file or a paste; BitternError on `file` where there are no rows."""
    table = find_table(open_sheet(name, content), [heading for column in COLUMNS for heading in column.also])
    if not table.numbers:
        raise BitternError("file", "There are no rows in this table. Send the list with its head and its numbers.")
    return table


def guess_list_columns(table: FoundTable) -> tuple[PriceListColumns, bool]:
    """Which column is which, and whether that is sure enough for nobody to be asked."""
    found = guess_columns(table, COLUMNS)
    needed = ("number", "words", "list")
    is_sure = all(name in found and found[name].is_sure for name in needed)
    columns = {name: guess.place for name, guess in found.items() if guess.is_sure or name in needed}
    first = [columns.pop("words")] if "words" in columns else _look_like_words(table, columns)
    beside = [
        column.place
        for column in table.columns
        if column.place not in (*columns.values(), *first) and _first_word(column.heading) in _BESIDE
    ]
    return PriceListColumns(columns, tuple(sorted([*first, *beside]))), is_sure


def _look_like_words(table: FoundTable, columns: dict[str, int]) -> list[int]:
    """The first column that says what its rows are by its cells alone, be its heading 'What', or 'Kind'; `columns`
    has it no more.
    """
    is_words = re.compile(CellLook.WORDS.value).fullmatch
    taken = {place for name, place in columns.items() if name != "category"}
    for column in table.columns:
        if column.place in taken or _first_word(column.heading) in _BESIDE:
            continue
        if column.samples and all(map(is_words, column.samples)):
            if columns.get("category") == column.place:
                del columns["category"]
            return [column.place]
    return []


def _first_word(heading: str) -> str:
    """'size' of 'Size (in)'."""
    return heading_key(heading).partition(" ")[0]


def read_price_list(table: FoundTable, choice: PriceListColumns) -> PriceList:
    """The rows of the table by what its columns are; every problem by row and column."""
    decimals = {
        name: money_style(table.cells(choice.columns[name])) for name in ("list", "cost") if name in choice.columns
    }
    in_shares = "discount" in choice.columns and all(map(_is_share, table.cells(choice.columns["discount"])))
    headings = {column.place: column.heading or column.letter for column in table.columns}
    rows: list[PriceListRow] = []
    problems: list[Problem] = []
    notes = [*table.notes, *(f"Row {one.row}: {one.reason}" for one in table.aside)]
    first: dict[str, PriceListRow] = {}
    for row, cells in table.rows:
        reader = _RowReader(row, cells, choice, headings, decimals, in_shares)
        found = reader.read()
        problems += reader.problems
        notes += reader.notes
        if found is None or reader.problems:
            continue
        known = first.setdefault(found.number.upper(), found)
        if known is found:
            rows.append(found)
        elif (known.list_cents, known.cost_cents) == (found.list_cents, found.cost_cents):
            notes.append(f"Row {row}: {found.number} stands in row {known.row} already, at the same price.")
        else:
            message = f"{found.number} stands in row {known.row} already, at another price."
            problems.append(Problem(f"row {row}, column {headings[choice.columns['number']]}", message))
    has_cost = "cost" in choice.columns or "discount" in choice.columns
    return PriceList(tuple(rows), tuple(problems), tuple(notes), has_cost)


def _is_share(cell: str) -> bool:
    """Whether a cell holds a discount as a spreadsheet keeps 45 %: 0.45."""
    return bool(re.fullmatch(r"0?\.\d+|0|1|", cell))


class _RowReader:
    """Reads a row, keeping what is wrong with it and what is to be told of it."""

    def __init__(
        self,
        row: int,
        cells: Sequence[str],
        choice: PriceListColumns,
        headings: Mapping[int, str],
        decimals: Mapping[str, str],
        in_shares: bool,
    ) -> None:
        self.row, self.cells, self.choice = row, cells, choice
        self.headings, self.decimals, self.in_shares = headings, decimals, in_shares
        self.problems: list[Problem] = []
        self.notes: list[str] = []

    def read(self) -> PriceListRow | None:
        """The row; None where nothing stands in it."""
        number = self._number()
        words = ", ".join(filter(None, self._words()))[:LONGEST_WORDS]
        list_cents = self._money("list")
        if list_cents is None and not self.problems:
            self._refuse("list", "This row has no list price.")
        cost = self._money("cost")
        if cost is None and list_cents is not None and (off := self._discount()) is not None:
            cost = off_list(list_cents, off)
        if number is None or list_cents is None:
            return None
        stocked = self._cell("stocked").casefold()
        is_stocked = stocked in _YES if stocked else None
        return PriceListRow(self.row, number, words, list_cents, cost, is_stocked, self._cell("category")[:40])

    def _cell(self, name: str) -> str:
        place = self.choice.columns.get(name)
        return "" if place is None else self.cells[place]

    def _words(self) -> Iterator[str]:
        for place in self.choice.words:
            said = " ".join(self.cells[place].split())
            heading = _SAYS_WHAT.get(_first_word(self.headings[place]), "")
            yield f"{heading} {said}" if said and heading and heading not in said.casefold() else said

    def _refuse(self, name: str, message: str) -> None:
        self.problems.append(Problem(f"row {self.row}, column {self.headings[self.choice.columns[name]]}", message))

    def _number(self) -> str | None:
        written = " ".join(self._cell("number").split())
        try:
            number = cell_code(written, "number")
        except BitternError as error:
            self._refuse("number", error.message)
            return None
        if not number:
            self._refuse("number", "This row has no part number.")
            return None
        if len(number) > LONGEST_NUMBER or not number.isprintable():
            self._refuse("number", f"Enter a part number of at most {LONGEST_NUMBER} characters.")
            return None
        if number != written:
            self.notes.append(f"Row {self.row}: {written} is read as {number}.")
        return number

    def _money(self, name: str) -> int | None:
        text = self._cell(name)
        if not text:
            return None
        try:
            if says_cents(self.headings[self.choice.columns[name]]):
                return cell_whole_cents(text, name)
            return cell_money(text, name, self.decimals[name])
        except BitternError as error:
            self._refuse(name, error.message)
            return None

    def _discount(self) -> Decimal | None:
        text = self._cell("discount")
        if not text:
            return None
        try:
            percent = read_percent(text, "discount")
            return percent * 100 if self.in_shares else percent
        except BitternError as error:
            self._refuse("discount", error.message)
            return None


def off_list(list_cents: int, percent: Decimal) -> int:
    """What an item costs at so many percent off list, half a cent up.

    >>> off_list(4805, Decimal(50))
    2403
    """
    return half_up(list_cents * (100 - percent) / 100)
