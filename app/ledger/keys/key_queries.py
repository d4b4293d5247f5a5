"""Questions about keys: who holds what, copies by system and by job, one key's story, a receipt as it was signed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.ledger.keysystems.ticks import KEYS_CUT, KEYS_UNCUT
from app.ledger.search.ranking import holds
from app.ledger.store.engine import read
from app.ledger.store.errors import NotFound
from app.ledger.tables import Customer, Event, Key, Keyset, KeyState, KeySystem, Level

ISSUED = "keys issued"
KINDS = ("keys ordered", KEYS_CUT, KEYS_UNCUT, ISSUED, "key returned", "key lost", "key retired")
_Rows = sa.Select[*tuple[Any, ...]]


@dataclass(frozen=True, slots=True)
class HeldKey:
    """A key that is out or lost. `overdue_days`: 0 unless it should be back."""

    id: int
    version: int
    symbol: str
    level: Level
    copy_number: int
    state: KeyState
    holder: str
    due_back: date | None
    since: datetime
    system_id: int
    system: str
    customer: str
    overdue_days: int


@dataclass(frozen=True, slots=True)
class HeldQuestion:
    """What to list: `show` is out, overdue or lost; `text` looks in holder, symbol, system and customer."""

    text: str = ""
    show: str = "out"


@dataclass(frozen=True, slots=True)
class HeldPage:
    """One page of keys that are not in the shop, and how many there are of each kind."""

    rows: tuple[HeldKey, ...]
    out: int
    overdue: int
    lost: int
    page: int
    pages: int


def held_keys(session: Session, today: date, question: HeldQuestion, page: int = 1, size: int = 50) -> HeldPage:
    """Keys out, overdue ones first, the longest overdue on top; then by due day, holder and symbol: two queries."""
    overdue = sa.and_(Key.state == KeyState.OUT, Key.due_back < today)
    counts = session.execute(
        _asked(
            sa.select(
                sa.func.sum(sa.case((Key.state == KeyState.OUT, 1), else_=0)),
                sa.func.sum(sa.case((overdue, 1), else_=0)),
                sa.func.sum(sa.case((Key.state == KeyState.LOST, 1), else_=0)),
            ),
            question.text,
        ).where(Key.state.in_((KeyState.OUT, KeyState.LOST)))
    ).one()
    out, late, lost = (int(count or 0) for count in counts)
    shown = {"overdue": overdue, "lost": Key.state == KeyState.LOST}.get(question.show, Key.state == KeyState.OUT)
    count = {"overdue": late, "lost": lost}.get(question.show, out)
    pages = max(-(-count // size), 1)
    page = min(max(page, 1), pages)
    rows = _asked(
        sa.select(
            Key.id,
            Key.version,
            Keyset.symbol,
            Keyset.level,
            Key.copy_number,
            Key.state,
            Key.holder,
            Key.due_back,
            Key.changed_at.label("since"),
            Keyset.system_id,
            KeySystem.name.label("system"),
            Customer.name.label("customer"),
        ),
        question.text,
    ).where(shown)
    found = session.execute(
        rows.order_by(
            sa.case((overdue, 0), else_=1),
            Key.due_back.asc().nulls_last(),
            Key.holder,
            Customer.name,
            Keyset.symbol,
            Key.copy_number,
            Key.id,
        )
        .limit(size)
        .offset((page - 1) * size)
    ).all()
    held = tuple(HeldKey(**row._mapping, overdue_days=_late(row.state, row.due_back, today)) for row in found)
    return HeldPage(held, out, late, lost, page, pages)


def _asked(rows: _Rows, text: str) -> _Rows:
    joined = rows.select_from(Key).join(Keyset, Keyset.id == Key.keyset_id)
    joined = joined.join(KeySystem, KeySystem.id == Keyset.system_id).join(
        Customer, Customer.id == KeySystem.customer_id
    )
    if text.strip():
        columns = (Key.holder, Keyset.symbol, KeySystem.name, Customer.name)
        joined = joined.where(sa.or_(*(holds(column, text.strip()) for column in columns)))
    return joined


def _late(state: KeyState, due_back: date | None, today: date) -> int:
    return (today - due_back).days if state is KeyState.OUT and due_back and due_back < today else 0


@dataclass(frozen=True, slots=True)
class KeysetCopies:
    """A keyset and its copies, by copy number."""

    keyset: Keyset
    keys: tuple[Key, ...]

    def count(self, *states: KeyState) -> int:
        """How many of its keys are in one of the states."""
        return sum(key.state in states for key in self.keys)


def system_copies(
    session: Session, system_id: int, text: str = "", page: int = 1, size: int = 60
) -> tuple[tuple[KeysetCopies, ...], int]:
    """A page of a system's keysets with their keys, those with keys out first; and how many keysets there are."""
    condition = Keyset.system_id == system_id
    if text.strip():
        has_holder = Keyset.id.in_(sa.select(Key.keyset_id).where(holds(Key.holder, text.strip())))
        condition = sa.and_(condition, sa.or_(holds(Keyset.symbol, text.strip()), has_holder))
    count = session.scalar(sa.select(sa.func.count()).select_from(Keyset).where(condition)) or 0
    out = (
        sa.select(sa.func.count())
        .where(Key.keyset_id == Keyset.id, Key.state.in_((KeyState.OUT, KeyState.LOST)))
        .scalar_subquery()
    )
    keysets = session.scalars(
        sa.select(Keyset)
        .where(condition)
        .order_by(sa.case((out > 0, 0), else_=1), Keyset.id)
        .limit(size)
        .offset((max(page, 1) - 1) * size)
    ).all()
    keys: dict[int, list[Key]] = {}
    rows = sa.select(Key).where(Key.keyset_id.in_([one.id for one in keysets])).order_by(Key.copy_number)
    for key in session.scalars(rows):
        keys.setdefault(key.keyset_id, []).append(key)
    return tuple(KeysetCopies(one, tuple(keys.get(one.id, ()))) for one in keysets), count


def get_key(session: Session, key_id: int) -> Key:
    """A key with its keyset, system and customer; NotFound when there is none."""
    key = session.scalar(
        sa.select(Key)
        .where(Key.id == key_id)
        .options(joinedload(Key.keyset).joinedload(Keyset.system).joinedload(KeySystem.customer))
    )
    if key is None:
        raise NotFound("key")
    return key


def key_story(session: Session, key: Key, limit: int = 500) -> tuple[Event, ...]:
    """What happened to one key, newest first, among the last `limit` events about keys of its system."""
    events = session.scalars(
        sa.select(Event)
        .where(Event.subject == f"key system {key.keyset.system_id}", Event.kind.in_(KINDS))
        .order_by(Event.id.desc())
        .limit(limit)
    )
    return tuple(event for event in events if key.id in event.detail.get("keys", ()))


@dataclass(frozen=True, slots=True)
class SignedReceipt:
    """A receipt's words as they were frozen when the keys were handed over."""

    number: int
    issued_on: date
    issued_by: str
    system_id: int
    symbol: str
    copies: tuple[int, ...]
    opens: str
    holder: str
    phone: str
    due_back: date | None
    customer: str
    site: str
    authority: str


def find_receipt(session: Session, number: int) -> SignedReceipt:
    """The receipt with this number; NotFound when none was given out."""
    event = session.scalar(
        sa.select(Event).where(Event.kind == ISSUED, Event.detail["receipt"].as_integer() == number)
    )
    if event is None:
        raise NotFound("key receipt")
    said = event.detail
    system_id = int(event.subject.rpartition(" ")[2])
    return SignedReceipt(
        number=number,
        issued_on=event.at.astimezone().date(),
        issued_by=event.actor_name,
        system_id=system_id,
        symbol=said["symbol"],
        copies=tuple(said["copies"]),
        opens=said["opens"],
        holder=said["holder"],
        phone=said["phone"],
        due_back=date.fromisoformat(said["due_back"]) if said["due_back"] else None,
        customer=said["customer"],
        site=said["site"],
        authority=said["authority"],
    )


def receipts_of(events: Sequence[Event]) -> tuple[int, ...]:
    """The numbers of the receipts among these events, newest first."""
    return tuple(event.detail["receipt"] for event in events if event.kind == ISSUED)


def keys_of_job(session: Session, job_id: int) -> Sequence[Key]:
    """The keys that came with a job, retired and lost ones left out, by keyset and copy number: one query."""
    return session.scalars(
        sa.select(Key)
        .join(Keyset)
        .where(Key.job_id == job_id, Key.state.not_in((KeyState.RETIRED, KeyState.LOST)))
        .options(joinedload(Key.keyset))
        .order_by(Keyset.system_id, Keyset.id, Key.copy_number)
    ).all()


def keys_to_sign(session: Session, job_id: int, taker: str, *, is_handed_over: bool) -> tuple[str, Sequence[Key]]:
    """Who signs for keys that came with a job, and for which of them, by keyset and copy number: one query.

    It is `taker`, for the keys that are cut and wait, and for those out with that name. Where none wait and none are
    out with that name, it is who holds the most of them. Nobody signs for a key not cut yet, back, lost or retired,
    nor for one that was cut after the job was handed over: it lies in the shop until it is issued.
    """
    signed = (KeyState.OUT,) if is_handed_over else (KeyState.CUT, KeyState.OUT)
    keys = [key for key in keys_of_job(session, job_id) if key.state in signed]
    held = Counter(_person(key.holder) for key in keys if key.state is KeyState.OUT)
    if held and not held[_person(taker)] and all(key.state is KeyState.OUT for key in keys):
        most = held.most_common(1)[0][0]
        taker = next(key.holder for key in keys if _person(key.holder) == most)
    mine = [key for key in keys if key.state is KeyState.CUT or _person(key.holder) == _person(taker)]
    return taker, mine


def _person(name: str) -> str:
    return " ".join(name.split()).casefold()


def signed_receipts(session: Session, job_id: int, system_ids: Iterable[int]) -> tuple[tuple[int, str], ...]:
    """(number, holder) of each receipt with a key of this job on it, oldest first; `system_ids`: the job's systems.

    One query where no key of these systems was ever handed out, else two.
    """
    subjects = sorted(f"key system {system_id}" for system_id in system_ids)
    told = [detail for (detail,) in read(session, _HANDED_OUT, {"subjects": subjects})]
    keys = set(session.scalars(sa.select(Key.id).where(Key.job_id == job_id))) if told else set()
    return tuple(
        (int(detail["receipt"]), str(detail["holder"]))
        for detail in told
        if not keys.isdisjoint(detail.get("keys", ()))
    )


_HANDED_OUT = (
    sa.select(Event.detail)
    .where(Event.subject.in_(sa.bindparam("subjects", expanding=True)), Event.kind == ISSUED)
    .order_by(Event.id)
)
