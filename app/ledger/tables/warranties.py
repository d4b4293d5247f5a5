"""Table: cylinders that came back, each with the job that puts another in its place."""

from datetime import datetime
from enum import StrEnum

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.ledger.tables.base import Base, UTCDateTime, Versioned, choice
from app.ledger.tables.doors import Cylinder
from app.ledger.tables.jobs import Job


class BorneBy(StrEnum):
    """Who pays for what came back; never the customer."""

    HOUSE = "house"
    MAKER = "maker"


class Warranty(Versioned, Base):
    """A cylinder that came back. job: the one that it opened; the job that sold it is the cylinder's own.

    claim: what the maker was told and what he said; goes_back: whether the old piece goes back to him.
    """

    __tablename__ = "warranties"

    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(sa.ForeignKey("jobs.id"), unique=True)
    cylinder_id: Mapped[int] = mapped_column(sa.ForeignKey("cylinders.id"), index=True)
    reason: Mapped[str] = mapped_column(sa.String(300))
    borne_by: Mapped[BorneBy] = mapped_column(choice(BorneBy))
    claim: Mapped[str] = mapped_column(sa.String(300), default="")
    goes_back: Mapped[bool] = mapped_column(default=False)
    opened_at: Mapped[datetime] = mapped_column(UTCDateTime)

    job: Mapped[Job] = relationship()
    cylinder: Mapped[Cylinder] = relationship()
