"""Tables: users and their login attempts."""

from __future__ import annotations

__all__ = ["LoginAttempt", "Role", "User"]

from datetime import datetime
from enum import StrEnum

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column

from app.ledger.base import Base, UTCDateTime, Versioned, choice


class Role(StrEnum):
    """What a person may do: the counter quotes, the bench also sees bittings, the owner sees everything."""

    COUNTER = "counter"
    BENCH = "bench"
    OWNER = "owner"


class User(Versioned, Base):
    """A person who may log in."""

    __tablename__ = "users"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(sa.String(80))
    name_key: Mapped[str] = mapped_column(sa.String(80), unique=True)  # casefolded: one person, one login
    role: Mapped[Role] = mapped_column(choice(Role))
    password_hash: Mapped[str] = mapped_column(sa.String(200))
    active: Mapped[bool] = mapped_column(default=True)
    # Goes up when the password or the role changes: every session begun before then ends.
    session_stamp: Mapped[int] = mapped_column(default=1)
    created_at: Mapped[datetime] = mapped_column(UTCDateTime)


class LoginAttempt(Base):
    """A try to log in; failed ones are counted so that guessing is slow."""

    __tablename__ = "login_attempts"

    id: Mapped[int] = mapped_column(primary_key=True)
    name_key: Mapped[str] = mapped_column(sa.String(80), index=True)
    address: Mapped[str] = mapped_column(sa.String(64), index=True)
    at: Mapped[datetime] = mapped_column(UTCDateTime)
    succeeded: Mapped[bool]
