"""The order form to a factory: cylinders, keying schedule, keying instruction and stamping, never a bitting."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from app.documents.render import LANDSCAPE, PaperHead, pdf
from app.documents.spreadsheet import xlsx_bytes
from app.ledger.quoting.snapshot import HouseHead

_HEADINGS = ("Item", "Qty", "Part number", "Cylinder", "Keyset", "Keying", "Operated by", "Keys", "Stamp", "Mark for")


@dataclass(frozen=True, slots=True)
class FactoryLine:
    """Cylinders of one keyset and part number. mark_for: opening numbers to mark the boxes with."""

    quantity: int
    part_number: str
    words: str
    keyset: str
    keying: str
    operated_by: str
    keys: int
    stamping: str
    mark_for: str


@dataclass(frozen=True, slots=True)
class FactoryOrder:
    """What goes to the maker. records: who holds the system's records, in a sentence for the factory.

    ordered_on: None while it was not ordered, then it is a draft. by: who ordered it, or made the draft out.
    """

    house: HouseHead
    order_number: str
    ordered_on: date | None
    made_on: date
    by: str
    maker_name: str
    need_by: date | None
    ship_to: str
    system_name: str
    is_new_system: bool
    records: str
    keying_instruction: str
    stamping_instruction: str
    lines: tuple[FactoryLine, ...]

    @property
    def day(self) -> date:
        """The day that it bears: of its ordering, or of the draft."""
        return self.ordered_on or self.made_on

    @property
    def system_words(self) -> str:
        """The key system, and whether it begins with this order."""
        return f"{self.system_name}, {'new' if self.is_new_system else 'extended'}" if self.system_name else "none"


@dataclass(frozen=True, slots=True)
class FactoryOrderPage:
    """The order form as printed. kinds: (part number, what it is in words)."""

    head: PaperHead
    order: FactoryOrder
    kinds: tuple[tuple[str, str], ...]
    cylinders: int
    keys: int


def factory_order_page(order: FactoryOrder) -> FactoryOrderPage:
    """What the order form says."""
    return FactoryOrderPage(
        PaperHead(
            order.house,
            "Factory order",
            order.order_number,
            order.day,
            warning="" if order.ordered_on else "Draft, not ordered",
        ),
        order,
        tuple(dict.fromkeys((line.part_number, line.words) for line in order.lines if line.part_number)),
        sum(line.quantity for line in order.lines),
        sum(line.keys for line in order.lines),
    )


def factory_order_pdf(order: FactoryOrder) -> bytes:
    """The order form as PDF, landscape."""
    return pdf("factory_order.html", factory_order_page(order), order.house.paper, LANDSCAPE)


def factory_order_xlsx(order: FactoryOrder) -> bytes:
    """The order's lines and instructions as a spreadsheet of two sheets."""
    rows = [
        (
            item, line.quantity, line.part_number, line.words, line.keyset, line.keying, line.operated_by, line.keys,
            line.stamping, line.mark_for,
        )
        for item, line in enumerate(order.lines, start=1)
    ]  # fmt: skip
    facts = [
        ("Order", order.order_number),
        ("Ordered" if order.ordered_on else "Draft, not ordered", f"{order.day.isoformat()} by {order.by}"),
        ("From", order.house.name),
        ("Maker", order.maker_name),
        ("Needed by", order.need_by.isoformat() if order.need_by else ""),
        ("Ship to", order.ship_to),
        ("Key system", order.system_words),
        ("Records", order.records),
        ("Keying", order.keying_instruction),
        ("Stamping", order.stamping_instruction),
    ]
    return xlsx_bytes(
        f"Factory order {order.order_number}",
        order.day,
        [("Cylinders", _HEADINGS, rows), ("Instructions", ("What", "Said"), facts)],
    )
