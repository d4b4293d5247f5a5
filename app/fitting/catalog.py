"""Catalog items: what a maker sells, with its prices; read from JSON, and written as a table."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from app.fitting.cylinder import CylinderAttributes
from app.validation import Reader, quoted, read_typed_whole

KEYED_CATEGORIES = ("cylinder", "lock")
"""What is keyed: its number is read by the maker's patterns."""
CATEGORIES = (*KEYED_CATEGORIES, "hardware", "key_blank")
MOST_CENTS = 100_000_000
COLUMNS = ("part_number", "category", "description", "cost", "list", "stocked")


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


def _money(cents: int) -> str:
    return f"{cents // 100}.{cents % 100:02d}"


def catalog_table(items: Iterable[CatalogItem]) -> Iterator[list[str]]:
    """The items as a table of texts, its head first; written as CSV or XLSX, it goes in again as goods."""
    yield list(COLUMNS)
    for item in items:
        stocked = "yes" if item.stocked else "no"
        texts = [item.part_number, item.category, item.description]
        yield [*texts, _money(item.cost_cents), _money(item.list_cents), stocked]
