"""Tables: users, their login attempts, their logins, and what the house asks of a login."""

from datetime import datetime
from enum import StrEnum

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column

from app.ledger.tables.base import Base, UTCDateTime, Versioned, choice


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
    pin_hash: Mapped[str] = mapped_column(sa.String(200), default="")  # unlocks the screen; "": none set
    factor_sealed: Mapped[bytes | None] = mapped_column(sa.LargeBinary)  # the second factor's secret, if any
    factor_step: Mapped[int] = mapped_column(default=0)  # the last step whose code was used: none counts twice


class LoginAttempt(Base):
    """A try to log in, or at a screen's PIN; failed ones are counted so that guessing is slow."""

    __tablename__ = "login_attempts"

    id: Mapped[int] = mapped_column(primary_key=True)
    name_key: Mapped[str] = mapped_column(sa.String(80), index=True)
    address: Mapped[str] = mapped_column(sa.String(64), index=True)
    at: Mapped[datetime] = mapped_column(UTCDateTime)
    succeeded: Mapped[bool]


class Login(Base):
    """One login on one browser: what its cookie stands for. A cookie whose row has ended opens nothing."""

    __tablename__ = "logins"

    id: Mapped[int] = mapped_column(primary_key=True)
    # SHA-256 of the cookie's random words: whoever reads this table still has no cookie.
    token_hash: Mapped[bytes] = mapped_column(sa.LargeBinary(32), unique=True)
    user_id: Mapped[int] = mapped_column(sa.ForeignKey("users.id"), index=True)
    stamp: Mapped[int]  # the user's session_stamp when it began
    address: Mapped[str] = mapped_column(sa.String(64))
    began_at: Mapped[datetime] = mapped_column(UTCDateTime)
    seen_at: Mapped[datetime] = mapped_column(UTCDateTime)  # written at most once a minute
    proven_at: Mapped[datetime] = mapped_column(UTCDateTime)  # when the password was last given
    locked_at: Mapped[datetime | None] = mapped_column(UTCDateTime)
    ended_at: Mapped[datetime | None] = mapped_column(UTCDateTime)
    wrong: Mapped[int] = mapped_column(default=0)  # wrong passwords in a row; wrong PINs stand in login_attempts


class LoginRulesRow(Versioned, Base):
    """The one row that says when a screen locks and what asks for the password once more."""

    __tablename__ = "login_rules"

    id: Mapped[int] = mapped_column(primary_key=True)
    lock_minutes: Mapped[int]  # 0: screens do not lock by themselves
    proof_minutes: Mapped[int]
    proof_of_list: Mapped[bool]
    proof_of_owner: Mapped[bool]
    proof_of_bench: Mapped[bool]
