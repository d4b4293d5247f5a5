"""Questions about events."""

from __future__ import annotations

__all__ = ["events_of", "last_event"]

from collections.abc import Sequence

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.events.models import Event


def last_event(session: Session, subject: str) -> Event | None:
    """The newest event about a subject, such as "user 3"; None when nothing happened to it."""
    return session.scalar(sa.select(Event).where(Event.subject == subject).order_by(Event.id.desc()).limit(1))


def events_of(session: Session, subject: str, limit: int = 50) -> Sequence[Event]:
    """What happened to a subject, newest first."""
    return session.scalars(
        sa.select(Event).where(Event.subject == subject).order_by(Event.id.desc()).limit(limit)
    ).all()
