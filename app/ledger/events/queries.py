"""Questions about events."""

from __future__ import annotations

__all__ = ["events_about", "events_of", "events_of_job", "hidden_kinds", "last_event"]

from collections.abc import Sequence

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.events.models import Event
from app.ledger.users.models import Role

# Which kinds of events are for whom; all others are for everybody who may open the record.
_FOR_OWNER = ("keying overridden",)
_FOR_BENCH = ("bittings revealed",)


def last_event(session: Session, subject: str) -> Event | None:
    """The newest event about a subject, such as "user 3", that anybody may see; None when nothing happened to it."""
    return session.scalar(
        sa.select(Event)
        .where(Event.subject == subject, Event.kind.not_in((*_FOR_OWNER, *_FOR_BENCH)))
        .order_by(Event.id.desc())
        .limit(1)
    )


def events_of(session: Session, subject: str, limit: int = 50) -> Sequence[Event]:
    """What happened to a subject, newest first."""
    return session.scalars(
        sa.select(Event).where(Event.subject == subject).order_by(Event.id.desc()).limit(limit)
    ).all()


def hidden_kinds(role: Role) -> tuple[str, ...]:
    """The kinds of events that a person of this role is not shown."""
    if role is Role.OWNER:
        return ()
    return _FOR_OWNER if role is Role.BENCH else (*_FOR_OWNER, *_FOR_BENCH)


def events_of_job(session: Session, job_id: int, role: Role, limit: int = 200) -> Sequence[Event]:
    """What happened to a job, newest first, as far as this role may see it."""
    return session.scalars(
        sa.select(Event)
        .where(Event.job_id == job_id, Event.kind.not_in(hidden_kinds(role)))
        .order_by(Event.id.desc())
        .limit(limit)
    ).all()


def events_about(session: Session, subject: str, role: Role, limit: int = 50) -> Sequence[Event]:
    """What happened to a subject, newest first, as far as this role may see it."""
    return session.scalars(
        sa.select(Event)
        .where(Event.subject == subject, Event.kind.not_in(hidden_kinds(role)))
        .order_by(Event.id.desc())
        .limit(limit)
    ).all()
