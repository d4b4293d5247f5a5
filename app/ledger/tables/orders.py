"""Tables: orders to makers, for which job each piece is, deliveries, and promises that orders moved."""

from datetime import date, datetime
from enum import StrEnum

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.ledger.tables.base import Base, LongText, UTCDateTime, Versioned, choice, refuse_changes
from app.ledger.tables.items import Item
from app.ledger.tables.jobs import Job
from app.ledger.tables.makers import Maker, Marking
from app.ledger.tables.needs import Need
from app.ledger.tables.users import User

ORDER_NUMBERS = "purchase order"  # the name of its counter


class OrderKind(StrEnum):
    """What an order asks for: goods as they are, or cylinders that the maker's factory keys for a job."""

    GOODS = "goods"
    KEYING = "keying"


class OrderState(StrEnum):
    """How far an order is."""

    DRAFT = "draft"
    SENT = "sent"
    CONFIRMED = "confirmed"
    CLOSED = "closed"
    CANCELED = "canceled"

    @property
    def is_open(self) -> bool:
        """Whether goods are still to come by it."""
        return self in (OrderState.SENT, OrderState.CONFIRMED)


class PurchaseOrder(Versioned, Base):
    """An order to a maker: a draft until it is sent. job_id: of a keying order, the job that it is for.

    `snapshot` is canonical JSON of what was sent, without a bitting, and `sha256` its hash; "" of a draft.
    `charges_cents` is what comes on top of the lines, such as the factory's keying; `confirmed_charges_cents` as the
    maker confirmed it. `maker_number` is the number that the maker gave it; `expected_on` the day that was hoped for
    when it was sent. `end_reason` says why it was closed before all was there, or canceled.
    """

    __tablename__ = "purchase_orders"
    __table_args__ = (sa.Index("ix_purchase_orders_open", "state", "maker_id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    number: Mapped[str] = mapped_column(sa.String(24), unique=True)
    maker_id: Mapped[int] = mapped_column(sa.ForeignKey("makers.id"), index=True)
    kind: Mapped[OrderKind] = mapped_column(choice(OrderKind))
    job_id: Mapped[int | None] = mapped_column(sa.ForeignKey("jobs.id"), index=True)
    state: Mapped[OrderState] = mapped_column(choice(OrderState), default=OrderState.DRAFT)
    made_at: Mapped[datetime] = mapped_column(UTCDateTime)
    made_by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    sent_at: Mapped[datetime | None] = mapped_column(UTCDateTime)
    sent_by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    snapshot: Mapped[str] = mapped_column(sa.Text, default="")
    sha256: Mapped[str] = mapped_column(sa.String(64), default="")
    maker_number: Mapped[str] = mapped_column(sa.String(60), default="")
    expected_on: Mapped[date | None]
    charges_cents: Mapped[int] = mapped_column(default=0)
    confirmed_charges_cents: Mapped[int | None]
    mark_keys: Mapped[Marking] = mapped_column(choice(Marking, "mark_keys"), default=Marking.VISUAL)
    mark_cylinders: Mapped[Marking] = mapped_column(choice(Marking, "mark_cylinders"), default=Marking.CONCEALED)
    note: Mapped[str] = mapped_column(LongText(2000), default="")
    end_reason: Mapped[str] = mapped_column(sa.String(300), default="")

    maker: Mapped[Maker] = relationship()
    job: Mapped[Job | None] = relationship()
    made_by: Mapped[User | None] = relationship(foreign_keys=[made_by_id])
    sent_by: Mapped[User | None] = relationship(foreign_keys=[sent_by_id])
    lines: "Mapped[list[PurchaseLine]]" = relationship(back_populates="order", order_by="PurchaseLine.number")
    deliveries: "Mapped[list[Delivery]]" = relationship(back_populates="order", order_by="Delivery.id")


class PurchaseLine(Base):
    """So many of an item. Cents are each; confirmed_cents and expected_on as the maker last told them.

    canceled: how many are not to come any more. What came is the sum of the deliveries' good pieces.
    """

    __tablename__ = "purchase_lines"
    __table_args__ = (
        sa.UniqueConstraint("order_id", "number"),
        sa.CheckConstraint("quantity > 0 AND canceled >= 0 AND canceled <= quantity", name="quantity"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    order_id: Mapped[int] = mapped_column(sa.ForeignKey("purchase_orders.id"), index=True)
    number: Mapped[int]
    item_id: Mapped[int] = mapped_column(sa.ForeignKey("items.id"), index=True)
    quantity: Mapped[int]
    unit_cents: Mapped[int]
    confirmed_cents: Mapped[int | None]
    expected_on: Mapped[date | None]
    canceled: Mapped[int] = mapped_column(default=0)

    order: Mapped[PurchaseOrder] = relationship(back_populates="lines")
    item: Mapped[Item] = relationship()
    shares: "Mapped[list[PurchaseShare]]" = relationship(order_by="PurchaseShare.id", cascade="all, delete-orphan")
    received: "Mapped[list[DeliveryLine]]" = relationship(back_populates="line", order_by="DeliveryLine.id")


class PurchaseShare(Base):
    """How many of a line are for a job's need, and how many of them came; what no share names is for the shelf."""

    __tablename__ = "purchase_shares"
    __table_args__ = (
        sa.UniqueConstraint("line_id", "need_id"),
        sa.CheckConstraint("quantity > 0 AND arrived >= 0 AND arrived <= quantity", name="quantity"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    line_id: Mapped[int] = mapped_column(sa.ForeignKey("purchase_lines.id"))
    need_id: Mapped[int] = mapped_column(sa.ForeignKey("needs.id"), index=True)
    quantity: Mapped[int]
    arrived: Mapped[int] = mapped_column(default=0)

    need: Mapped[Need] = relationship()


class Delivery(Base):
    """What came of an order at one time, as somebody counted it; packing_number: of the maker's slip."""

    __tablename__ = "deliveries"

    id: Mapped[int] = mapped_column(primary_key=True)
    order_id: Mapped[int] = mapped_column(sa.ForeignKey("purchase_orders.id"), index=True)
    at: Mapped[datetime] = mapped_column(UTCDateTime)
    by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    packing_number: Mapped[str] = mapped_column(sa.String(60), default="")
    # Ties a press of the button to one delivery: pressing twice finds the first instead of receiving again.
    request_token: Mapped[str | None] = mapped_column(sa.String(64), unique=True)

    order: Mapped[PurchaseOrder] = relationship(back_populates="deliveries")
    by: Mapped[User | None] = relationship()
    lines: "Mapped[list[DeliveryLine]]" = relationship(order_by="DeliveryLine.id")


class DeliveryLine(Base):
    """Pieces of one line of an order, or of an item that nobody ordered (line_id None).

    good: kept, over what was ordered too; sent_back: over, and not kept; damaged and wrong: not kept, claimed of the
    maker.
    """

    __tablename__ = "delivery_lines"
    __table_args__ = (
        sa.CheckConstraint("good >= 0 AND damaged >= 0 AND wrong >= 0 AND sent_back >= 0", name="pieces"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    delivery_id: Mapped[int] = mapped_column(sa.ForeignKey("deliveries.id"), index=True)
    line_id: Mapped[int | None] = mapped_column(sa.ForeignKey("purchase_lines.id"), index=True)
    item_id: Mapped[int] = mapped_column(sa.ForeignKey("items.id"))
    good: Mapped[int] = mapped_column(default=0)
    damaged: Mapped[int] = mapped_column(default=0)
    wrong: Mapped[int] = mapped_column(default=0)
    sent_back: Mapped[int] = mapped_column(default=0)
    note: Mapped[str] = mapped_column(sa.String(300), default="")

    item: Mapped[Item] = relationship()
    line: Mapped[PurchaseLine | None] = relationship(back_populates="received")


class PromiseMove(Base):
    """A job's promise that an order moved, and whether its customer was called about it."""

    __tablename__ = "promise_moves"

    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(sa.ForeignKey("jobs.id"), index=True)
    order_id: Mapped[int] = mapped_column(sa.ForeignKey("purchase_orders.id"), index=True)
    was_on: Mapped[date | None]
    now_on: Mapped[date]
    moved_at: Mapped[datetime] = mapped_column(UTCDateTime)
    called_at: Mapped[datetime | None] = mapped_column(UTCDateTime, index=True)
    called_by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))

    job: Mapped[Job] = relationship()
    order: Mapped[PurchaseOrder] = relationship()
    called_by: Mapped[User | None] = relationship()


refuse_changes(DeliveryLine, "what was received is never changed: count the shelf, or send it back")
