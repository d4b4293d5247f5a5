"""Tables: goods that come back from a customer, line by line, and claims to makers until they are settled."""

from datetime import date, datetime
from enum import StrEnum

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.ledger.tables.base import Base, UTCDateTime, Versioned, choice, refuse_changes
from app.ledger.tables.items import Item
from app.ledger.tables.jobs import Job, Payment
from app.ledger.tables.makers import Maker
from app.ledger.tables.money import Invoice
from app.ledger.tables.users import User
from app.ledger.tables.warranties import Warranty

RETURN_NUMBERS = "return"  # the name of its counter


class ReturnCondition(StrEnum):
    """In which condition a piece comes back. Defective: as its maker sent it; spoiled: since then."""

    GOOD = "good"
    DEFECTIVE = "defective"
    SPOILED = "spoiled"


class GoodsReturn(Base):
    """What one person brought back of a job at one time. Cents with tax where nothing else is said.

    restocking_cents: kept before tax for taking it back. credited_cents: what it took off the price. credit_note: the
    first of them, where what came back stood on several invoices. payment: by
    which money went back.
    """

    __tablename__ = "returns"

    id: Mapped[int] = mapped_column(primary_key=True)
    number: Mapped[int] = mapped_column(unique=True)
    job_id: Mapped[int] = mapped_column(sa.ForeignKey("jobs.id"), index=True)
    at: Mapped[datetime] = mapped_column(UTCDateTime)
    by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    brought_by: Mapped[str] = mapped_column(sa.String(120), default="")
    reason: Mapped[str] = mapped_column(sa.String(300))
    restocking_cents: Mapped[int] = mapped_column(default=0)
    credited_cents: Mapped[int] = mapped_column(default=0)
    credit_note_id: Mapped[int | None] = mapped_column(sa.ForeignKey("invoices.id"), index=True)
    payment_id: Mapped[int | None] = mapped_column(sa.ForeignKey("payments.id"), index=True)

    job: Mapped[Job] = relationship()
    by: Mapped[User | None] = relationship()
    credit_note: Mapped[Invoice | None] = relationship()
    payment: Mapped[Payment | None] = relationship()
    lines: "Mapped[list[ReturnLine]]" = relationship(back_populates="goods_return", order_by="ReturnLine.id")


class ReturnLine(Base):
    """So many pieces of a line of the job, of one kind and condition. amount_cents: their price before tax."""

    __tablename__ = "return_lines"
    __table_args__ = (sa.CheckConstraint("quantity > 0", name="pieces"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    return_id: Mapped[int] = mapped_column(sa.ForeignKey("returns.id"), index=True)
    line_number: Mapped[int]
    kind: Mapped[str] = mapped_column(sa.String(12))  # cylinder, goods
    quantity: Mapped[int]
    condition: Mapped[ReturnCondition] = mapped_column(choice(ReturnCondition))
    is_restocked: Mapped[bool] = mapped_column(default=False)
    amount_cents: Mapped[int] = mapped_column(default=0)

    goods_return: Mapped[GoodsReturn] = relationship(back_populates="lines")


class ClaimState(StrEnum):
    """How a claim stands."""

    OPEN = "open"
    CREDITED = "credited"
    REPLACED = "replaced"
    REFUSED = "refused"

    @property
    def is_settled(self) -> bool:
        """Whether the maker has answered for good."""
        return self is not ClaimState.OPEN


class MakerClaim(Versioned, Base):
    """What the house asks of a maker for pieces that were not as they should be, and what came of it.

    Of goods that a customer brought back, of a delivery, or of a cylinder that came back at the maker's cost. cents:
    what it came to once it is settled: the credit, or what the pieces in place of them are worth.
    """

    __tablename__ = "claims"
    __table_args__ = (sa.CheckConstraint("quantity > 0", name="pieces"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    maker_id: Mapped[int] = mapped_column(sa.ForeignKey("makers.id"), index=True)
    item_id: Mapped[int | None] = mapped_column(sa.ForeignKey("items.id"), index=True)
    words: Mapped[str] = mapped_column(sa.String(300), default="")  # what it is, where no item says it
    quantity: Mapped[int]
    job_id: Mapped[int | None] = mapped_column(sa.ForeignKey("jobs.id"), index=True)
    return_id: Mapped[int | None] = mapped_column(sa.ForeignKey("returns.id"), index=True)
    delivery_id: Mapped[int | None] = mapped_column(sa.ForeignKey("deliveries.id"), index=True)
    warranty_id: Mapped[int | None] = mapped_column(sa.ForeignKey("warranties.id"), index=True)
    state: Mapped[ClaimState] = mapped_column(choice(ClaimState), default=ClaimState.OPEN, index=True)
    opened_at: Mapped[datetime] = mapped_column(UTCDateTime)
    opened_by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    settled_on: Mapped[date | None]
    cents: Mapped[int | None]
    note: Mapped[str] = mapped_column(sa.String(300), default="")  # what is wrong
    answer: Mapped[str] = mapped_column(sa.String(300), default="")  # their number, what they say

    maker: Mapped[Maker] = relationship()
    item: Mapped[Item | None] = relationship()
    job: Mapped[Job | None] = relationship()
    goods_return: Mapped[GoodsReturn | None] = relationship()
    warranty: Mapped[Warranty | None] = relationship()

    @property
    def what(self) -> str:
        """What it is about."""
        return self.item.code if self.item is not None else self.words


for _model in (GoodsReturn, ReturnLine):
    refuse_changes(_model, "what came back is never changed")
