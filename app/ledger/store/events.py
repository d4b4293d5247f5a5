"""Write events, and give out numbers; both inside the caller's transaction."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from contextlib import closing
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.store.work import Work
from app.ledger.tables import Counter, Event

_CHAIN = "event chain"
_WORDS = ("at", "actor_id", "actor_name", "kind", "subject", "job_id", "summary", "detail")
_STEP = 5000


def next_number(session: Session, name: str, first: int = 1) -> int:
    """The next whole number under `name`; the row stays locked until the transaction ends."""
    counter = session.get(Counter, name, with_for_update=True)
    if counter is None:
        counter = Counter(name=name, value=first - 1)
        session.add(counter)
    counter.value += 1
    session.flush()
    return counter.value


def event_hash(event: Event) -> bytes:
    """SHA-256 over the previous event's hash and this event's own words, in canonical JSON."""
    words = [
        event.previous_hash.hex(),
        event.at.isoformat(),
        event.actor_id,
        event.actor_name,
        event.kind,
        event.subject,
        event.job_id,
        event.summary,
        event.detail,
    ]
    return hashlib.sha256(json.dumps(words, sort_keys=True, ensure_ascii=False).encode()).digest()


def record(work: Work, kind: str, subject: str, summary: str, *, job_id: int | None = None, **detail: Any) -> Event:
    """Append one event by the acting person. `detail` is plain JSON and never holds a bitting."""
    next_number(work.session, _CHAIN)  # its lock makes writers of events queue, so the chain cannot fork
    previous = work.session.scalar(sa.select(Event.hash).order_by(Event.id.desc()).limit(1))
    event = Event(
        at=work.now,
        actor_id=work.actor.user_id,
        actor_name=work.actor.name,
        kind=kind,
        subject=subject,
        job_id=job_id,
        summary=summary,
        detail=detail,
        previous_hash=previous or b"",
    )
    event.hash = event_hash(event)
    work.session.add(event)
    work.session.flush()
    return event


def record_moved(session: Session, told: Sequence[Mapping[str, Any]]) -> None:
    """Append events that another house put on record, in this order, each with its own moment, person and job.

    They are chained anew at the end of this house's own story; `told` has an event's columns but number and hashes.
    """
    if not told:
        return
    next_number(session, _CHAIN)  # the lock of `record`; what it counted is corrected at once
    session.get_one(Counter, _CHAIN).value += len(told) - 1
    previous = session.scalar(sa.select(Event.hash).order_by(Event.id.desc()).limit(1)) or b""
    rows = []
    for values in told:
        words = {name: values.get(name) for name in _WORDS}
        event = Event(**words, previous_hash=previous)
        previous = event_hash(event)
        rows.append({**words, "previous_hash": event.previous_hash, "hash": previous})
    for start in range(0, len(rows), _STEP):
        session.execute(sa.insert(Event), rows[start : start + _STEP])


def first_broken_link(session: Session) -> int | None:
    """The id of the first event whose hash does not follow from its words and the event before; None: all hold."""
    previous = b""
    with closing(session.scalars(sa.select(Event).order_by(Event.id).execution_options(yield_per=500))) as events:
        for event in events:
            if event.previous_hash != previous or event_hash(event) != event.hash:
                return event.id
            previous = event.hash
    return None


def missing_at_the_end(session: Session) -> int:
    """How many of the newest events are gone: the chain alone cannot tell, the counter that numbers it can."""
    written = session.scalar(sa.select(Counter.value).where(Counter.name == _CHAIN)) or 0
    return max(written - (session.scalar(sa.select(sa.func.count()).select_from(Event)) or 0), 0)
