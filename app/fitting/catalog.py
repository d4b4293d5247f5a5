"""Catalog items: what a maker sells, with its prices; read from JSON, CSV or XLSX, and written as a table."""

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import BinaryIO

from app.errors import BitternError, Problem
from app.fitting.cylinder import CylinderAttributes
from app.spreadsheets import table_rows, unguarded
from app.validation import Reader, quoted, read_typed_whole

KEYED_CATEGORIES = ("cylinder", "lock")
"""What is keyed: its number is read by the maker's patterns."""
CATEGORIES = (*KEYED_CATEGORIES, "hardware", "key_blank")
MOST_CENTS = 100_000_000
COLUMNS = ("part_number", "category", "description", "cost", "list", "stocked")
_TRUE = frozenset({"yes", "y", "true", "1", "x", "stocked"})
_FALSE = frozenset({"no", "n", "false", "0", "", "special order"})
_ALIASES = {
    "number": "part_number",
    "part": "part_number",
    "item": "part_number",
    "kind": "category",
    "cost_price": "cost",
    "list_price": "list",
    "in_stock": "stocked",
    "stock": "stocked",
}
_DIGITS = re.compile(r"[0-9]{1,12}")
_AMOUNT = re.compile(r"\$?(?:[0-9]{1,10}|[0-9]{1,3}(?:,[0-9]{3})+)(?:\.[0-9]{1,2}0*)?")
MOST_PROBLEMS = 5000
STEP = 1000


@dataclass(frozen=True, slots=True)
class CatalogItem:
    """Something to sell. Money in whole cents; `attributes` are there for what is keyed, where its number decodes."""

    part_number: str
    maker: str
    category: str
    description: str
    cost_cents: int
    list_cents: int
    stocked: bool
    attributes: CylinderAttributes | None = None


def read_item(given: object, maker: str) -> CatalogItem:
    """An item from plain values; Problems name every field at fault."""
    read = Reader(given)
    category = read.raw("category")
    if category not in CATEGORIES:
        read.refuse("category", f"{quoted(category)} is no category. Use {', '.join(CATEGORIES)}.")
    item = CatalogItem(
        part_number=read.text("part_number", 60),
        maker=maker,
        category=category,
        description=read.text("description"),
        cost_cents=read.value("cost_cents", _whole_cents),
        list_cents=read.value("list_cents", _whole_cents),
        stocked=read.flag("stocked"),
    )
    read.done()
    return item


def _whole_cents(given: object) -> int:
    return read_typed_whole(given, 0, MOST_CENTS)


@dataclass(frozen=True, slots=True)
class CatalogRows:
    """The good rows and what is wrong with the others; `field` of a problem reads 'row 17, column cost'.
    `rows` says in which row of the file each item stands."""

    items: tuple[CatalogItem, ...]
    problems: tuple[Problem, ...]
    rows: tuple[int, ...] = ()


def _cents(text: str, whole_cents: bool) -> int | None:
    """Cents from '1480' (whole cents) or '14.80', '$1,480', '14.8'; None when it is neither.

    A comma stands between thousands only: 2,90 is refused rather than read as 290.
    """
    if whole_cents:
        units, _, rest = text.partition(".")
        return int(units) if _DIGITS.fullmatch(units) and not rest.strip("0") else None
    if not _AMOUNT.fullmatch(text):
        return None
    units, _, rest = text.removeprefix("$").replace(",", "").partition(".")
    return int(units) * 100 + (int(rest[:2].ljust(2, "0")) if rest else 0)


class _Reader:
    """Turns rows into items; keeps every problem, and where each number was first seen."""

    def __init__(self, header: Sequence[str], maker: str) -> None:
        self.maker = maker
        self.problems: list[Problem] = []
        self.seen: dict[str, int] = {}
        names = [_ALIASES.get(name, name) for name in ("_".join(each.lower().split()) for each in header)]
        self.cost_is_cents, self.list_is_cents = "cost_cents" in names, "list_cents" in names
        plain = [name.removesuffix("_cents") if name in ("cost_cents", "list_cents") else name for name in names]
        for name, shown in zip(plain, header, strict=True):
            if name and name not in COLUMNS:
                self._note(1, quoted(shown).strip("'"), f"This column is not known. Known: {', '.join(COLUMNS)}.")
            elif name and plain.count(name) > 1:
                self._note(1, name, "This column stands there twice; take one out.")
        for name in COLUMNS[:5]:
            if name not in plain:
                self._note(1, name, "This column is missing.")
        self.places = tuple(plain.index(name) if name in plain else -1 for name in COLUMNS)

    def _note(self, row: int, column: str, message: str) -> None:
        self.problems.append(Problem(f"row {row}, column {column}", message))

    def item(self, number: int, row: Sequence[str]) -> CatalogItem | None:
        """The item of one row; None when the row has a problem (noted) or is empty."""
        width = len(row)
        part, category, description, cost_text, list_text, stocked_text = (
            row[place].strip() if 0 <= place < width else "" for place in self.places
        )
        if not part and not any(cell.strip() for cell in row):
            return None
        before = len(self.problems)
        part, description = unguarded(part), unguarded(description)
        category = category.lower().replace(" ", "_")
        if not part or len(part) > 60 or not part.isprintable():
            self._note(number, "part_number", f"Enter a part number of at most 60 characters, not {quoted(part)}.")
        if category not in CATEGORIES:
            self._note(number, "category", f"Enter one of {', '.join(CATEGORIES)}, not {quoted(category)}.")
        if not description or len(description) > 200 or not description.isprintable():
            self._note(number, "description", "Enter a description of at most 200 plain characters.")
        cost, list_price = _cents(cost_text, self.cost_is_cents), _cents(list_text, self.list_is_cents)
        for column, text, cents in (("cost", cost_text, cost), ("list", list_text, list_price)):
            if cents is None or cents > MOST_CENTS:
                self._note(number, column, f"Enter an amount such as 14.80, not {quoted(text)}.")
        lowered = stocked_text.lower()
        if lowered not in _TRUE and lowered not in _FALSE:
            self._note(number, "stocked", f"Enter yes or no, not {quoted(stocked_text)}.")
        first = self.seen.setdefault(part.upper(), number)
        if first != number and part:
            self._note(number, "part_number", f"{quoted(part)} stands in row {first} already.")
        if len(self.problems) > before or cost is None or list_price is None:
            return None
        return CatalogItem(part, self.maker, category, description, cost, list_price, lowered in _TRUE)


def read_catalog(
    name: str, content: bytes | BinaryIO, maker: str, progress: Callable[[int], None] | None = None
) -> CatalogRows:
    """The rows of a catalog file (`name` gives the kind: .csv or .xlsx) of one maker.

    Money is read as '14.80' from columns `cost` and `list`, or as whole cents from `cost_cents` and
    `list_cents`. Every row's problem is told; nothing is decoded here. BitternError when the file as a whole
    cannot be read. `progress` is called with the number of rows done, each thousand.
    """
    rows = table_rows(name, content)
    header = next(rows, None)
    if header is None:
        raise BitternError("file", f"This file is empty. The first row names the columns: {', '.join(COLUMNS)}.")
    reader = _Reader(header, maker)
    if reader.problems:
        return CatalogRows((), tuple(reader.problems))
    items, places = [], []
    for number, row in enumerate(rows, 2):
        item = reader.item(number, row)
        if item is not None:
            items.append(item)
            places.append(number)
        if number % STEP == 0 and progress is not None:
            progress(number)
        if len(reader.problems) > MOST_PROBLEMS:
            more = f"More than {MOST_PROBLEMS} problems; the rows after this one were not read."
            reader.problems.append(Problem(f"row {number}", more))
            break
    if not items and not reader.problems:
        raise BitternError("file", "This file has a header but no rows.")
    return CatalogRows(tuple(items), tuple(reader.problems), tuple(places))


def _money(cents: int) -> str:
    return f"{cents // 100}.{cents % 100:02d}"


def catalog_table(items: Iterable[CatalogItem]) -> Iterator[list[str]]:
    """The items as a table of texts, its head first; written as CSV or XLSX, `read_catalogue` reads them back."""
    yield list(COLUMNS)
    for item in items:
        stocked = "yes" if item.stocked else "no"
        texts = [item.part_number, item.category, item.description]
        yield [*texts, _money(item.cost_cents), _money(item.list_cents), stocked]
