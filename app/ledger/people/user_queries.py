"""Questions about users."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.store.errors import NotFound
from app.ledger.tables import User


def name_key(name: str) -> str:
    """What two spellings of one login name have in common: case, spacing and composed letters fall away.

    >>> name_key("  Ada   MARSH ") == name_key("ada marsh")
    True
    """
    kept = name.replace("\0", "\ufffd")  # PostgreSQL's text cannot hold a NUL; no name has one
    return " ".join(unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", kept).casefold()).split())


def has_users(session: Session) -> bool:
    """Whether anybody may log in yet; who came with an export and was never let in is nobody to wait for."""
    return session.scalar(sa.select(User.id).where(User.active).limit(1)) is not None


def get_user(session: Session, user_id: int) -> User:
    """The user with this id; NotFound when there is none."""
    user = session.get(User, user_id)
    if user is None:
        raise NotFound("user")
    return user


def user_named(session: Session, name: str) -> User | None:
    """The user who logs in by this name, however it is spelled; None when there is none."""
    return session.scalar(sa.select(User).where(User.name_key == name_key(name)))


def list_users(session: Session) -> Sequence[User]:
    """All users: those who may log in first, then by name."""
    return session.scalars(sa.select(User).order_by(User.active.desc(), User.name_key)).all()
