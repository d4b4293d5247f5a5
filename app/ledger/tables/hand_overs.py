"""Tables: hand-overs, and what of each line of its job went with one."""

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.ledger.tables.base import Base, refuse_changes
from app.ledger.tables.events import Event
from app.ledger.tables.jobs import Job


class HandOverRow(Base):
    """One time that somebody took something of a job, the first, second … `place` of it.

    When, who gave it out, who took it and which pieces they were stands in its event, which is never changed.
    """

    __tablename__ = "hand_overs"
    __table_args__ = (sa.UniqueConstraint("job_id", "place"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(sa.ForeignKey("jobs.id"))
    place: Mapped[int]
    event_id: Mapped[int] = mapped_column(sa.ForeignKey("events.id"), unique=True)

    job: Mapped[Job] = relationship()
    event: Mapped[Event] = relationship()
    lines: "Mapped[list[HandedLine]]" = relationship(back_populates="hand_over", order_by="HandedLine.line_number")


class HandedLine(Base):
    """How many pieces of a line of its job went with a hand-over."""

    __tablename__ = "handed_lines"
    __table_args__ = (sa.UniqueConstraint("hand_over_id", "line_number"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    hand_over_id: Mapped[int] = mapped_column(sa.ForeignKey("hand_overs.id"))
    line_number: Mapped[int]
    cylinders: Mapped[int] = mapped_column(default=0)
    keys: Mapped[int] = mapped_column(default=0)
    goods: Mapped[int] = mapped_column(default=0)

    hand_over: Mapped[HandOverRow] = relationship(back_populates="lines")


for _model in (HandOverRow, HandedLine):
    refuse_changes(_model, "what was handed over is never changed: goods that come back are a return")
