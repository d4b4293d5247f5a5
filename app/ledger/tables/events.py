"""Tables: events (append-only, hash-chained), counters, the house's id, the vault's key check."""

from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column

from app.ledger.tables.base import Base, UTCDateTime, refuse_changes


class Event(Base):
    """One thing that happened. `detail` never holds a bitting."""

    __tablename__ = "events"

    id: Mapped[int] = mapped_column(primary_key=True)
    at: Mapped[datetime] = mapped_column(UTCDateTime)
    actor_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    actor_name: Mapped[str] = mapped_column(sa.String(80))
    kind: Mapped[str] = mapped_column(sa.String(60), index=True)
    subject: Mapped[str] = mapped_column(sa.String(60), index=True)  # "job 12", "key system 3", …
    job_id: Mapped[int | None] = mapped_column(sa.ForeignKey("jobs.id"), index=True)
    summary: Mapped[str] = mapped_column(sa.Text)
    detail: Mapped[dict[str, Any]] = mapped_column(sa.JSON, default=dict)
    # Raw SHA-256: hexadecimal would hold runs of digits that look like bittings to who searches the file.
    previous_hash: Mapped[bytes] = mapped_column(sa.LargeBinary(32))
    hash: Mapped[bytes] = mapped_column(sa.LargeBinary(32), unique=True)


refuse_changes(Event, "events are append-only: an event is never changed or deleted")


class Counter(Base):
    """The last number given out under a name: job numbers without gaps or doubles, and the event chain's head."""

    __tablename__ = "counters"

    name: Mapped[str] = mapped_column(sa.String(40), primary_key=True)
    value: Mapped[int] = mapped_column(default=0)


class HouseIdentity(Base):
    """The one row that tells this house from every other, written by the migration that made its table.

    A restore keeps it; an export does not carry it, since the house that takes the records in is another one.
    """

    __tablename__ = "house_identity"

    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(sa.String(24))


class VaultCheck(Base):
    """A keyed hash that tells whether the sealing key at start is the one this database was sealed with."""

    __tablename__ = "vault_checks"

    id: Mapped[int] = mapped_column(primary_key=True)
    check_value: Mapped[str] = mapped_column(sa.String(64))
    made_at: Mapped[datetime] = mapped_column(UTCDateTime)
    sheet_at: Mapped[datetime | None] = mapped_column(UTCDateTime)  # when the key's recovery sheet was written
