"""Events: written and numbered inside the caller's transaction, chained, and asked for."""

import hashlib
import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from contextlib import closing
from datetime import datetime, timedelta
from types import SimpleNamespace
from typing import Any, NamedTuple

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.store.engine import in_steps, read
from app.ledger.store.errors import LedgerError, LedgerStopped, NotFound
from app.ledger.store.work import Work
from app.ledger.tables import MOVES, Counter, Deletion, Event, HouseIdentity, ReplacedText, Role, Stage

_CHAIN = "event chain"
_WORDS = ("at", "actor_id", "actor_name", "kind", "subject", "job_id", "summary", "detail")


def next_number(session: Session, name: str, first: int = 1) -> int:
    """The next whole number under `name`; the row stays locked until the transaction ends."""
    counter = session.get(Counter, name, with_for_update=True)
    if counter is None:
        counter = Counter(name=name, value=first - 1)
        session.add(counter)
    counter.value += 1
    session.flush()
    return counter.value


def event_hash(event: Any) -> bytes:
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


def record_all(work: Work, told: Iterable[tuple[str, str, str]]) -> None:
    """Append an event by the acting person for each (kind, subject, summary), all at once."""
    mine: dict[str, Any] = {
        "at": work.now,
        "actor_id": work.actor.user_id,
        "actor_name": work.actor.name,
        "detail": {},
    }
    rows = [mine | {"kind": kind, "subject": subject, "summary": summary} for kind, subject, summary in told]
    work.session.flush()
    record_moved(work.session, rows)


def record_moved(session: Session, told: Sequence[Mapping[str, Any]]) -> None:
    """Append events that another house recorded, in this order, each with its own moment, person and job.

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
        event = SimpleNamespace(**words, previous_hash=previous)
        previous = event_hash(event)
        rows.append({**words, "previous_hash": event.previous_hash, "hash": previous})
    for some in in_steps(rows):
        session.execute(sa.insert(Event), some)


DELETED = "personal data deleted"


def first_broken_link(session: Session) -> int | None:
    """The id of the first event whose hash does not follow from its words and the event before; None: all hold.

    Words that a deletion replaced are held against the hash that was kept of them then; the deletion's own event, in
    the chain itself, answers for these hashes. Whether the originals follow: `app/ledger/privacy/originals.py`.
    """
    previous = b""
    has_replaced = sa.inspect(session.connection()).has_table(ReplacedText.__tablename__)
    replaced = _replaced_hashes(session) if has_replaced else {}
    seals: dict[int, tuple[int, str]] = {}
    with closing(session.scalars(sa.select(Event).order_by(Event.id).execution_options(yield_per=500))) as events:
        for event in events:
            if event.previous_hash != previous or event_hash(event) != replaced.get(event.id, event.hash):
                return event.id
            if event.kind == DELETED:
                seals[event.detail["number"]] = (event.id, event.detail["seal"])
            previous = event.hash
    return _first_unsealed(session, seals) if has_replaced else None


def _replaced_hashes(session: Session) -> dict[int, bytes]:
    """Event → the hash of its words as the newest deletion left them."""
    rows = sa.select(ReplacedText.row_id, ReplacedText.replaced_hash)
    rows = rows.where(ReplacedText.table_name == Event.__tablename__).order_by(ReplacedText.deletion_id)
    return dict(session.execute(rows).all())


def _first_unsealed(session: Session, seals: Mapping[int, tuple[int, str]]) -> int | None:
    """The first event that was replaced by no deletion of the chain, or by one whose event tells of other words."""
    rows = sa.select(Deletion.number, ReplacedText.table_name, ReplacedText.row_id, ReplacedText.replaced_hash)
    rows = rows.join(ReplacedText.deletion).order_by(Deletion.number, ReplacedText.table_name, ReplacedText.row_id)
    by_number: dict[int, list[tuple[str, int, bytes]]] = defaultdict(list)
    for number, table, row_id, kept in session.execute(rows):
        by_number[number].append((table, row_id, kept))
    for number, kept_of in by_number.items():
        told = seals.get(number)
        if told is None or told[1] != seal_of_replaced(kept_of):
            return told[0] if told else min(row_id for _, row_id, _ in kept_of)
    return next((id_ for number, (id_, seal) in seals.items() if seal and number not in by_number), None)


def seal_of_replaced(rows: Iterable[tuple[str, int, bytes]]) -> str:
    """SHA-256 over what a deletion left in rows' places, in letters: a run of digits would look like a bitting."""
    digest = hashlib.sha256()
    for table, row_id, kept in sorted(rows):
        digest.update(f"{table} {row_id} ".encode() + kept)
    return digest.hexdigest().translate(str.maketrans("0123456789abcdef", "abcdefghijklmnop"))


def missing_at_the_end(session: Session) -> int:
    """How many of the newest events are gone: the chain alone cannot tell, the counter that numbers it can."""
    written = session.scalar(sa.select(Counter.value).where(Counter.name == _CHAIN)) or 0
    return max(written - count_events(session), 0)


CLOCK_ACCEPTED = "clock accepted"
_SLACK = timedelta(minutes=10)  # a clock that is set right by a few minutes is no trouble
_LOOKED_AT = 200  # events; a task of the night may have written some by the wrong clock already

# Which kinds of events are for whom; all others are for everybody who may open the record.
_FOR_OWNER = ("keying overridden",)
LOW_PRICE, DISCOUNT_GIVEN = "low price agreed", "discount given"
CREDIT_EXCEEDED = "credit limit exceeded"
OVERRIDES = (
    *_FOR_OWNER,
    CREDIT_EXCEEDED,
    "authority overridden",
    "keyed under a lost key",
    LOW_PRICE,
    DISCOUNT_GIVEN,
)
"""Kinds whose words give the reason for an override, a price or a discount: for the house's pages, not for what goes
out of it.
"""
BITTINGS_REVEALED = "bittings revealed"
_FOR_BENCH = (BITTINGS_REVEALED,)

STAGE_MOVED = "stage moved"


def house_id(session: Session) -> str:
    """What tells this house from every other: 24 letters."""
    found = session.scalar(sa.select(HouseIdentity.uid).order_by(HouseIdentity.id).limit(1))
    if not found:
        raise LedgerError("database", "This house has lost the id that its backups bear; put back a backup.")
    return found


def first_hash(session: Session) -> bytes | None:
    """The hash of the first event of this house's story, which no other house's story begins with."""
    return session.scalar(sa.select(Event.hash).order_by(Event.id).limit(1))


def count_events(session: Session) -> int:
    """How many events are on record."""
    return session.scalar(sa.select(sa.func.count()).select_from(Event)) or 0


def hidden_kinds(role: Role) -> tuple[str, ...]:
    """The kinds of events that a person of this role is not shown."""
    if role is Role.OWNER:
        return ()
    return _FOR_OWNER if role is Role.BENCH else (*_FOR_OWNER, *_FOR_BENCH)


class EventTold(NamedTuple):
    """An event as a job's story tells it."""

    at: datetime
    actor_name: str
    kind: str
    subject: str
    summary: str


def events_of_job(session: Session, job_id: int, role: Role, limit: int = 200) -> Sequence[EventTold]:
    """What happened to a job, newest first, as far as this role may see it."""
    asked = {"job": job_id, "hidden": hidden_kinds(role), "most": limit}
    return [EventTold._make(row) for row in read(session, _OF_JOB, asked)]


# Built once: every look at a job asks it.
_OF_JOB = (
    sa.select(Event.at, Event.actor_name, Event.kind, Event.subject, Event.summary)
    .where(Event.job_id == sa.bindparam("job"), Event.kind.not_in(sa.bindparam("hidden", expanding=True)))
    .order_by(Event.id.desc())
    .limit(sa.bindparam("most", type_=sa.Integer))
)


def events_of(session: Session, subject: str, role: Role = Role.OWNER, limit: int = 50) -> Sequence[Event]:
    """What happened to a subject, such as "user 3", newest first, as far as this role may see it."""
    return session.scalars(
        sa.select(Event)
        .where(Event.subject == subject, Event.kind.not_in(hidden_kinds(role)))
        .order_by(Event.id.desc())
        .limit(limit)
    ).all()


def event_of_kind(session: Session, event_id: int, kinds: Collection[str], what: str) -> Event:
    """The event with this id where it is of one of these kinds; NotFound tells that there is no such `what`."""
    event = session.get(Event, event_id)
    if event is None or event.kind not in kinds:
        raise NotFound(what)
    return event


def is_undone(session: Session, event: Event, kind: str) -> bool:
    """Whether an event of that kind says that this one was undone."""
    rows = sa.select(Event.detail).where(Event.kind == kind, Event.subject == event.subject, Event.id > event.id)
    return any(detail.get("undoes") == event.id for detail in session.scalars(rows))


def clock_is_back(session: Session, now: datetime) -> LedgerStopped | None:
    """The trouble to tell when `now` stands before what is on record; None when the clock may be right.

    Where the clock was wrong before and is right now, the owner says so once: bittern house clock --accept.
    """
    accepted = sa.select(sa.func.coalesce(sa.func.max(Event.id), 0)).where(Event.kind == CLOCK_ACCEPTED)
    newest = sa.select(Event.at).where(Event.id >= accepted.scalar_subquery()).order_by(Event.id.desc())
    last = max(session.scalars(newest.limit(_LOOKED_AT)), default=None)
    if last is None or now >= last - _SLACK:
        return None
    return LedgerStopped(
        "The clock went back",
        f"This machine's clock says {now.astimezone():%Y-%m-%d %H:%M}, but something on record happened "
        f"{last.astimezone():%Y-%m-%d %H:%M}. Nothing was saved: papers and events would bear a wrong date.",
        "Set the machine's clock right, then save again. If it is right now and was wrong before, the owner runs: "
        "bittern house clock --accept",
    )


def moved_to(stage: Stage) -> sa.ColumnElement[bool]:
    """Events that tell of a job's move to a stage, whatever reason was written with it."""
    told = [f"{left.value} → {stage.value}" for left, moves in MOVES.items() if stage in moves]
    written = [Event.summary.startswith(f"{words}: ") for words in told]
    return sa.and_(Event.kind == STAGE_MOVED, sa.or_(Event.summary.in_(told), *written))
