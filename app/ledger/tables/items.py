"""Tables: the one book of goods: what makers sell by part number, what the house sells and does by own codes; and
what makers' lists say of later days.
"""

from datetime import date
from enum import StrEnum
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.ledger.tables.base import Base, Versioned, choice
from app.ledger.tables.makers import Maker, SpecRow

_OWN = sa.text("maker_id IS NULL AND kind NOT IN ('pin', 'unpinned')")
_PIECES = sa.text("maker_id IS NULL AND kind IN ('pin', 'unpinned')")


class ItemKind(StrEnum):
    """What an item is. PART: a cylinder. UNPINNED: a cylinder without pins whose part number nobody told, known by
    its type alone. LABOR: what is done, not sold from a shelf.
    """

    PART = "part"
    LOCK = "lock"
    BLANK = "blank"
    CAM = "cam"
    RING = "ring"
    GOODS = "goods"
    PIN = "pin"
    UNPINNED = "unpinned"
    LABOR = "labor"


class Item(Versioned, Base):
    """Something that is sold, done or lies on the shelf. How many do is the sum of its movements.

    maker_id: whose part number `code` is; None of the house's own codes, pins and cylinders of no known number.
    attributes: `fitting`'s JSON of a cylinder. list_cents and cost_cents: each; list None: it is in no maker's list.
    is_stocked: the maker's list says that the house has it there. is_counted: somebody counted it, set with its first
    movement and for good; until then the sums say nothing. reorder_point: when free and ordered together fall to it,
    it is ordered up to `reorder_to`, in packs of `pack_size`. lead_days: working days, where they differ from the
    maker's. spec_id, pin_kind and pin_size: a pin's. unlisted_from: since when the maker's list names it no longer.
    """

    __tablename__ = "items"
    __table_args__ = (
        sa.UniqueConstraint("maker_id", "code"),
        # A database takes two empty makers for different ones.
        sa.Index("uq_items_own", "code", unique=True, sqlite_where=_OWN, postgresql_where=_OWN),
        sa.Index("uq_items_piece", "kind", "code", unique=True, sqlite_where=_PIECES, postgresql_where=_PIECES),
        sa.Index("ix_items_listed", "code", "id"),
        sa.Index("ix_items_counted", "is_counted", "code", "id"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    maker_id: Mapped[int | None] = mapped_column(sa.ForeignKey("makers.id"))
    code: Mapped[str] = mapped_column(sa.String(80))
    kind: Mapped[ItemKind] = mapped_column(choice(ItemKind), default=ItemKind.GOODS)
    category: Mapped[str] = mapped_column(sa.String(40), default="")
    words: Mapped[str] = mapped_column(sa.String(300), default="")
    attributes: Mapped[dict[str, Any]] = mapped_column(sa.JSON, default=dict)
    list_cents: Mapped[int | None]
    unlisted_from: Mapped[date | None]
    cost_cents: Mapped[int] = mapped_column(default=0)
    is_stocked: Mapped[bool] = mapped_column(default=False)
    is_counted: Mapped[bool] = mapped_column(default=False)
    cylinder_type: Mapped[str] = mapped_column(sa.String(24), default="")
    finish: Mapped[str] = mapped_column(sa.String(24), default="")
    spec_id: Mapped[int | None] = mapped_column(sa.ForeignKey("bitting_specs.id"), index=True)
    pin_kind: Mapped[str | None] = mapped_column(sa.String(16))
    pin_size: Mapped[int | None]
    reorder_point: Mapped[int | None] = mapped_column(index=True)
    reorder_to: Mapped[int | None]
    pack_size: Mapped[int] = mapped_column(default=1)
    lead_days: Mapped[int | None]
    bin: Mapped[str] = mapped_column(sa.String(40), default="", index=True)
    barcode: Mapped[str] = mapped_column(sa.String(40), default="", index=True)

    maker: Mapped[Maker | None] = relationship()
    spec: Mapped[SpecRow | None] = relationship()


class ItemPrice(Base):
    """List price and cost of an item from a later day on, as a maker's new list says; cents each. When the day has
    come they go into the item, and this row goes. import_id: of that list; None where it came in another house.
    """

    __tablename__ = "item_prices"
    __table_args__ = (sa.UniqueConstraint("item_id", "valid_from"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    item_id: Mapped[int] = mapped_column(sa.ForeignKey("items.id"))
    valid_from: Mapped[date] = mapped_column(index=True)
    list_cents: Mapped[int]
    cost_cents: Mapped[int]
    import_id: Mapped[int | None] = mapped_column(sa.ForeignKey("imports.id"), index=True)
