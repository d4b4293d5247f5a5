"""Catalogue items: what a maker sells, with its prices."""

from __future__ import annotations

from dataclasses import dataclass, replace

from app.errors import Problem
from app.fitting.cylinder import CylinderAttributes
from app.fitting.given import Faults, as_text, as_whole, quoted

CATEGORIES = ("cylinder", "hardware", "key_blank")
MOST_CENTS = 100_000_000
_ITEM_KEYS = ("part_number", "category", "description", "cost_cents", "list_cents", "stocked")


@dataclass(frozen=True, slots=True)
class CatalogueItem:
    """Something to sell. Money in whole cents; `attributes` are there for cylinders whose number decodes."""

    part_number: str
    maker: str
    category: str
    description: str
    cost_cents: int
    list_cents: int
    stocked: bool
    attributes: CylinderAttributes | None = None

    def with_attributes(self, attributes: CylinderAttributes) -> CatalogueItem:
        """The same item with its cylinder attributes known."""
        return replace(self, attributes=attributes)


def read_item(given: object, maker: str, field: str = "item") -> CatalogueItem:
    """An item from plain values; Problems name every field at fault."""
    faults = Faults()
    data = faults.fields(given, field, _ITEM_KEYS)
    category = data.get("category")
    if category not in CATEGORIES:
        text = f"{quoted(category)} is no category. Use {', '.join(CATEGORIES)}."
        faults.note([Problem(f"{field}.category", text)])
    stocked = data.get("stocked")
    if not isinstance(stocked, bool):
        faults.note([Problem(f"{field}.stocked", f"Say true or false, not {quoted(stocked)}.")])
    item = CatalogueItem(
        part_number=faults.take(as_text, data.get("part_number"), f"{field}.part_number", 60),
        maker=maker,
        category=str(category),
        description=faults.take(as_text, data.get("description"), f"{field}.description"),
        cost_cents=faults.take(as_whole, data.get("cost_cents"), f"{field}.cost_cents", 0, MOST_CENTS),
        list_cents=faults.take(as_whole, data.get("list_cents"), f"{field}.list_cents", 0, MOST_CENTS),
        stocked=stocked is True,
    )
    faults.stop()
    return item
