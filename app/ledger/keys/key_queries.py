"""Questions about keys: who holds what, copies by system and by job, one key's story, a receipt as it was signed."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, contains_eager, joinedload

from app.ledger.keysystems.ticks import KEYS_CUT, KEYS_UNCUT
from app.ledger.search.words import holds
from app.ledger.store.engine import get_row, read
from app.ledger.store.errors import NotFound
from app.ledger.store.numbers import key_receipt_number
from app.ledger.tables import Customer, Event, Key, Keyset, KeyState, KeySystem

ISSUED = "keys issued"
KEY_RECEIPTS = "key receipt"  # the counter that numbers them
CALLED_IN = "keys called in"
KINDS = ("keys ordered", KEYS_CUT, KEYS_UNCUT, ISSUED, CALLED_IN, "key returned", "key lost", "key retired")
_Rows = sa.Select[*tuple[Any, ...]]


@dataclass(frozen=True, slots=True)
class HeldPage:
    """One page of keys that are not in the shop, with keyset, system and customer, and how many there are of each."""

    rows: Sequence[Key]
    out: int
    overdue: int
    lost: int
    page: int
    pages: int


def held_keys(
    session: Session, today: date, show: str = "out", text: str = "", page: int = 1, size: int = 50
) -> HeldPage:
    """Keys out, overdue ones first, the longest overdue on top; then by due day, holder and symbol: two queries.

    `show`: out, overdue or lost; `text` is looked for in holder, symbol, system and customer.
    """
    overdue = sa.and_(Key.state == KeyState.OUT, Key.due_back < today)
    shown = {"overdue": overdue, "lost": Key.state == KeyState.LOST}.get(show, Key.state == KeyState.OUT)
    matches: sa.ColumnElement[bool] = sa.true()
    if text.strip():
        columns = (Key.holder, Keyset.symbol, KeySystem.name, Customer.name)
        matches = sa.or_(*(holds(column, text.strip()) for column in columns))
    conditions = (Key.state == KeyState.OUT, overdue, Key.state == KeyState.LOST)
    counts = sa.select(*(sa.func.sum(sa.case((condition, 1), else_=0)) for condition in conditions))
    out, late, lost = (int(count or 0) for count in session.execute(_with_customer(counts).where(matches)).one())
    count = {"overdue": late, "lost": lost}.get(show, out)
    pages = max(-(-count // size), 1)
    page = min(max(page, 1), pages)
    order = (
        sa.case((overdue, 0), else_=1),
        Key.due_back.asc().nulls_last(),
        Key.holder,
        Customer.name,
        Keyset.symbol,
        Key.copy_number,
        Key.id,
    )
    rows = session.scalars(
        _with_customer(sa.select(Key))
        .where(matches, shown)
        .options(contains_eager(Key.keyset).contains_eager(Keyset.system).contains_eager(KeySystem.customer))
        .order_by(*order)
        .limit(size)
        .offset((page - 1) * size)
    ).all()
    return HeldPage(rows, out, late, lost, page, pages)


def _with_customer(rows: _Rows) -> _Rows:
    return rows.select_from(Key).join(Key.keyset).join(Keyset.system).join(KeySystem.customer)


def days_overdue(key: Key, today: date) -> int:
    """For how many days a key that is out should be back; 0 for any other."""
    is_late = key.state is KeyState.OUT and key.due_back is not None and key.due_back < today
    return (today - key.due_back).days if is_late and key.due_back else 0


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
    load = joinedload(Key.keyset).joinedload(Keyset.system).joinedload(KeySystem.customer)
    return get_row(session, Key, key_id, "key", load)


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
class ReceiptKey:
    """One key handed over; keyset and copy number are stamped on it. opens: where it works, in words."""

    keyset: str
    copy_number: int
    opens: str
    due_back: date | None = None


@dataclass(frozen=True, slots=True)
class KeyReceipt:
    """Keys that one holder takes. authority: who allowed it and how, "" where no owner of record is known.

    is_handed_over: issued_on is the day on which they changed hands; else the form is yet to be signed and dated.
    """

    number: str  # of the receipt: "K-0038"
    issued_on: date
    issued_by: str
    customer_name: str
    site_name: str
    holder_name: str
    holder_phone: str
    authority: str
    keys: tuple[ReceiptKey, ...]
    is_handed_over: bool = True


def find_receipt(session: Session, number: int) -> KeyReceipt:
    """The receipt with this number, in the words of when the keys were handed over; NotFound when there is none."""
    event = session.scalar(
        sa.select(Event).where(Event.kind == ISSUED, Event.detail["receipt"].as_integer() == number)
    )
    if event is None:
        raise NotFound("key receipt")
    said = event.detail
    due_back = date.fromisoformat(said["due_back"]) if said["due_back"] else None
    return KeyReceipt(
        number=key_receipt_number(number),
        issued_on=event.at.astimezone().date(),
        issued_by=event.actor_name,
        customer_name=said["customer"],
        site_name=said["site"],
        holder_name=said["holder"],
        holder_phone=said["phone"],
        authority=said["authority"],
        keys=tuple(ReceiptKey(said["symbol"], copy, said["opens"], due_back) for copy in said["copies"]),
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
