"""Tables: deletions of personal data, and the sealed originals of texts that are otherwise never changed."""

from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.ledger.tables.base import Base, UTCDateTime


class Deletion(Base):
    """One deletion of a person's data. It names nobody.

    `is_running` only in its own transaction: it lets the guards of events and quotes through. `left`: customers whose
    records were left as they are, 0 for those that are nobody's. `scrubbed_at`: when the database's file was written
    anew, so that no trace of the old words lies in it.
    """

    __tablename__ = "deletions"

    id: Mapped[int] = mapped_column(primary_key=True)
    number: Mapped[int] = mapped_column(unique=True)
    at: Mapped[datetime] = mapped_column(UTCDateTime)
    by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    is_running: Mapped[bool] = mapped_column(default=False)
    counts: Mapped[dict[str, Any]] = mapped_column(sa.JSON)  # table → how many of its rows lost words
    left: Mapped[list[int]] = mapped_column(sa.JSON)
    scrubbed_at: Mapped[datetime | None] = mapped_column(UTCDateTime)
    key_destroyed_at: Mapped[datetime | None] = mapped_column(UTCDateTime)

    replaced: "Mapped[list[ReplacedText]]" = relationship(back_populates="deletion", order_by="ReplacedText.id")


class ReplacedText(Base):
    """An event or a quote whose readable words a deletion replaced.

    `replaced_hash`: SHA-256 of the words that stand there since. `sealed`: the words as they were first, under the
    key of this deletion and of each later one of the same row; None where an earlier deletion has them.
    """

    __tablename__ = "replaced_texts"
    __table_args__ = (sa.UniqueConstraint("deletion_id", "table_name", "row_id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    deletion_id: Mapped[int] = mapped_column(sa.ForeignKey("deletions.id"))
    table_name: Mapped[str] = mapped_column(sa.String(24), index=True)
    row_id: Mapped[int] = mapped_column(index=True)
    replaced_hash: Mapped[bytes] = mapped_column(sa.LargeBinary(32))
    sealed: Mapped[bytes | None] = mapped_column(sa.LargeBinary)

    deletion: Mapped[Deletion] = relationship(back_populates="replaced")
