"""Tables: tables of rows that came in at once, what they changed, and how each sender's columns are read."""

from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.ledger.tables.base import Base, UTCDateTime, Versioned
from app.ledger.tables.users import User


class Import(Versioned, Base):
    """One table that was saved. `written`: what it made and changed, so that it can be undone."""

    __tablename__ = "imports"

    id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str] = mapped_column(sa.String(24))
    file_name: Mapped[str] = mapped_column(sa.String(120))
    sender: Mapped[str] = mapped_column(sa.String(120), default="")
    made_at: Mapped[datetime] = mapped_column(UTCDateTime)
    made_by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    new: Mapped[int]
    changed: Mapped[int]
    unchanged: Mapped[int]
    aside: Mapped[int]
    written: Mapped[dict[str, Any]] = mapped_column(sa.JSON)
    undone_at: Mapped[datetime | None] = mapped_column(UTCDateTime)
    undone_by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))

    made_by: Mapped[User | None] = relationship(foreign_keys=[made_by_id])
    undone_by: Mapped[User | None] = relationship(foreign_keys=[undone_by_id])


class ImportMapping(Base):
    """Which of a sender's headings means what, and what its own words mean: proposed when its next table comes."""

    __tablename__ = "import_mappings"
    __table_args__ = (sa.UniqueConstraint("kind", "sender"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str] = mapped_column(sa.String(24))
    sender: Mapped[str] = mapped_column(sa.String(120))
    headings: Mapped[dict[str, str]] = mapped_column(sa.JSON)  # column → heading
    words: Mapped[dict[str, dict[str, str]]] = mapped_column(sa.JSON)  # column → its word → ours
    day_order: Mapped[str] = mapped_column(sa.String(12), default="")
    used_at: Mapped[datetime] = mapped_column(UTCDateTime)
