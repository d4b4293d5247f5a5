"""Tables: what lies on the shelf. Places, and the movements of items, whose sums are what is there."""

from datetime import datetime
from enum import StrEnum

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.ledger.tables.base import Base, UTCDateTime, Versioned, choice, refuse_changes
from app.ledger.tables.items import Item
from app.ledger.tables.users import User

SHELF = 1
"""The id of the place that every house has."""


class PlaceKind(StrEnum):
    """What a place is."""

    SHELF = "shelf"
    BRANCH = "branch"
    VAN = "van"


class StockPlace(Versioned, Base):
    """Where goods lie."""

    __tablename__ = "stock_places"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(sa.String(60), unique=True)
    kind: Mapped[PlaceKind] = mapped_column(choice(PlaceKind), default=PlaceKind.SHELF)


class MovementKind(StrEnum):
    """What happened to goods."""

    RECEIVED = "received"
    RESERVED = "reserved"
    RELEASED = "released"
    USED = "used"
    SOLD = "sold"
    RETURNED = "returned"
    SCRAPPED = "scrapped"
    COUNTED = "counted"
    MOVED = "moved"


class StockMovement(Base):
    """So many of an item came to a place, left it, were set apart there or let go. Never changed; who, when and why.

    on_hand and reserved: what it adds to each, below zero what it takes. cost_cents: each, where it is known.
    """

    __tablename__ = "stock_movements"
    # Quantities are summed out of this index alone.
    __table_args__ = (sa.Index("ix_stock_movements_sums", "item_id", "place_id", "on_hand", "reserved"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    item_id: Mapped[int] = mapped_column(sa.ForeignKey("items.id"))
    place_id: Mapped[int] = mapped_column(sa.ForeignKey("stock_places.id"), default=SHELF)
    kind: Mapped[MovementKind] = mapped_column(choice(MovementKind))
    on_hand: Mapped[int] = mapped_column(default=0)
    reserved: Mapped[int] = mapped_column(default=0)
    cost_cents: Mapped[int | None]
    at: Mapped[datetime] = mapped_column(UTCDateTime)
    by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    why: Mapped[str] = mapped_column(sa.String(200), default="")
    job_id: Mapped[int | None] = mapped_column(sa.ForeignKey("jobs.id"), index=True)
    need_id: Mapped[int | None] = mapped_column(sa.ForeignKey("needs.id"), index=True)
    order_line_id: Mapped[int | None] = mapped_column(sa.ForeignKey("purchase_lines.id"), index=True)

    item: Mapped[Item] = relationship()
    place: Mapped[StockPlace] = relationship()
    by: Mapped[User | None] = relationship()


class StockCount(Versioned, Base):
    """A count of items at a place. mark_id: the newest movement when it began, which is the moment of its sheet."""

    __tablename__ = "stock_counts"

    id: Mapped[int] = mapped_column(primary_key=True)
    place_id: Mapped[int] = mapped_column(sa.ForeignKey("stock_places.id"))
    words: Mapped[str] = mapped_column(sa.String(200), default="")
    mark_id: Mapped[int]
    started_at: Mapped[datetime] = mapped_column(UTCDateTime)
    started_by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    ended_at: Mapped[datetime | None] = mapped_column(UTCDateTime)
    ended_by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    is_saved: Mapped[bool] = mapped_column(default=False)  # False where it was stopped: then nothing of it counts

    place: Mapped[StockPlace] = relationship()
    started_by: Mapped[User | None] = relationship(foreign_keys=[started_by_id])


class StockCountLine(Base):
    """An item of a count, and how many somebody found, once he did.

    mark_id: the newest movement that was over when he counted; what moved later is no part of what he found.
    difference: to what was on hand then, once it is saved.
    """

    __tablename__ = "stock_count_lines"
    __table_args__ = (sa.UniqueConstraint("count_id", "item_id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    count_id: Mapped[int] = mapped_column(sa.ForeignKey("stock_counts.id"))
    item_id: Mapped[int] = mapped_column(sa.ForeignKey("items.id"), index=True)
    found: Mapped[int | None]
    mark_id: Mapped[int]
    found_at: Mapped[datetime | None] = mapped_column(UTCDateTime)
    found_by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    difference: Mapped[int | None]

    item: Mapped[Item] = relationship()


class PinDraw(Base):
    """Pins that were drawn for a job's cylinders, by size, under seal: the pins of few cylinders tell their bittings.

    is_booked: they are among movements by now, which tell of many cylinders together; until then they are taken off
    the sums besides.
    """

    __tablename__ = "pin_draws"

    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(sa.ForeignKey("jobs.id"), index=True)
    spec_id: Mapped[int] = mapped_column(sa.ForeignKey("bitting_specs.id"), index=True)
    cylinders: Mapped[int]
    sealed: Mapped[bytes] = mapped_column(sa.LargeBinary)
    at: Mapped[datetime] = mapped_column(UTCDateTime)
    by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    is_booked: Mapped[bool] = mapped_column(default=False)


refuse_changes(StockMovement, "a movement of stock is never changed: another one corrects it")
