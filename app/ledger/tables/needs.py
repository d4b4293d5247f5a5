"""Table: what accepted jobs take of the stock."""

from datetime import date, datetime

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.ledger.tables.base import Base, UTCDateTime
from app.ledger.tables.items import Item
from app.ledger.tables.jobs import Job


class Need(Base):
    """So many of an item that a job takes. What is reserved for it, and what is out, are sums of the movements that
    name it; what is ordered for it are shares of orders' lines.

    line_number: None of what no one line takes, such as key blanks. keyed_at: shop or factory, "" where nothing is
    keyed on it. ended_at: when no more of it was to come, since the job was canceled or all of it was taken out.
    """

    __tablename__ = "needs"
    __table_args__ = (
        sa.CheckConstraint("quantity > 0", name="quantity"),
        sa.Index("ix_needs_open", "item_id", "ended_at"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(sa.ForeignKey("jobs.id"), index=True)
    line_number: Mapped[int | None]
    item_id: Mapped[int] = mapped_column(sa.ForeignKey("items.id"))
    quantity: Mapped[int]
    keyed_at: Mapped[str] = mapped_column(sa.String(12), default="")
    needed_on: Mapped[date | None]
    made_at: Mapped[datetime] = mapped_column(UTCDateTime)
    ended_at: Mapped[datetime | None] = mapped_column(UTCDateTime)

    job: Mapped[Job] = relationship()
    item: Mapped[Item] = relationship()
