"""Questions about keys: who holds what, copies by system and by job, one key's story, a receipt as it was signed."""

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, contains_eager, joinedload

from app.ledger.catalog.maker_queries import spellings
from app.ledger.keysystems.copy_numbers import read_stamp, say_copies
from app.ledger.keysystems.ticks import KEYS_CUT, KEYS_UNCUT, blanks_cut
from app.ledger.search.words import holds
from app.ledger.sites.customers import phone_digits
from app.ledger.store.engine import Page, get_row, page_of, place_of_page, read
from app.ledger.store.errors import NotFound
from app.ledger.store.numbers import key_receipt_number
from app.ledger.tables import BlindCode, Customer, Event, Key, Keyset, KeyState, KeySystem

ISSUED = "keys issued"
KEY_RECEIPTS = "key receipt"  # the counter that numbers them
CALLED_IN = "keys called in"
TAKEN_BACK = "keys taken back"
BROUGHT = "keysets brought"  # by a split, from another system
RECEIPTS = (ISSUED, TAKEN_BACK)
SCRAPPED = "keys scrapped"
STAMPED = "keys stamped"
IMPORTED = "keys imported"
KINDS = (
    *(
        "keys ordered",
        KEYS_CUT,
        KEYS_UNCUT,
        ISSUED,
        CALLED_IN,
        "key returned",
        "key lost",
        "key retired",
        "loss closed",
    ),
    *(TAKEN_BACK, SCRAPPED, STAMPED, IMPORTED),
)
_LEAST_DIGITS = 3
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
    """Keys out, overdue ones first, the longest overdue on top; then by due day, holder and keyset: two queries.

    `show`: out, overdue or lost. Each word of `text` is looked for in holder and phone, the keyset's symbol, blind
    code and purpose, system and customer; a stamp ("AA1-3") is that key's.
    """
    overdue = sa.and_(Key.state == KeyState.OUT, Key.due_back < today)
    shown = {"overdue": overdue, "lost": Key.state == KeyState.LOST}.get(show, Key.state == KeyState.OUT)
    matches: sa.ColumnElement[bool] = sa.true()
    if text.strip():
        matches = _matches(text)
    conditions = (Key.state == KeyState.OUT, overdue, Key.state == KeyState.LOST)
    counts = sa.select(*(sa.func.sum(sa.case((condition, 1), else_=0)) for condition in conditions))
    out, late, lost = (int(count or 0) for count in session.execute(_with_customer(counts).where(matches)).one())
    count = {"overdue": late, "lost": lost}.get(show, out)
    page, pages = place_of_page(count, page, size)
    order = (
        sa.case((overdue, 0), else_=1),
        Key.due_back.asc().nulls_last(),
        Key.holder,
        Customer.name,
        KeySystem.name,
        Keyset.id,  # 2AA before 10AA
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


def _matches(text: str) -> sa.ColumnElement[bool]:
    if (stamp := read_stamp(text)) is not None:
        return sa.or_(is_stamped(*stamp), _holds_words(text.split()))
    digits = phone_digits(text)
    is_phone = len(digits) >= _LEAST_DIGITS and not any(sign.isalpha() for sign in text)
    return Key.phone_digits.contains(digits) if is_phone else _holds_words(text.split())


def _holds_words(words: Sequence[str]) -> sa.ColumnElement[bool]:
    columns = (Key.holder, Key.holder_phone, Keyset.symbol, Keyset.blind_code, Keyset.purpose, KeySystem.name)
    return sa.and_(*(sa.or_(*(holds(column, word) for column in (*columns, Customer.name))) for word in words))


def is_stamped(code: str, copy: int) -> sa.ColumnElement[bool]:
    """Whether a key bears this stamp, as `read_stamp` gives it; of keys and their keysets."""
    return sa.and_(Key.keyset_id.in_(keysets_stamped(code)), Key.copy_number == copy)


def keysets_stamped(code: str) -> sa.CompoundSelect[int]:
    """The ids of keysets of which keys bear this code or symbol, or bore the code once; each by an index."""
    return sa.union(
        sa.select(Keyset.id).where(Keyset.symbol.in_(spellings(code))),
        sa.select(Keyset.id).where(Keyset.blind_code == code, Keyset.blind_code != ""),
        sa.select(BlindCode.keyset_id).where(BlindCode.code == code),
    )


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

    def copies(self, *states: KeyState) -> str:
        """Its copy numbers in these states, or in any where none is named, in words."""
        return say_copies([key.copy_number for key in self.keys if not states or key.state in states])


def system_copies(
    session: Session, system_id: int, text: str = "", page: int = 1, size: int = 60
) -> Page[KeysetCopies]:
    """A system's keysets with their keys, those with keys out first."""
    condition = Keyset.system_id == system_id
    if text.strip():
        has_holder = Keyset.id.in_(sa.select(Key.keyset_id).where(holds(Key.holder, text.strip())))
        condition = sa.and_(condition, sa.or_(holds(Keyset.symbol, text.strip()), has_holder))
    out = (
        sa.select(sa.func.count())
        .where(Key.keyset_id == Keyset.id, Key.state.in_((KeyState.OUT, KeyState.LOST)))
        .scalar_subquery()
    )
    keysets = sa.select(Keyset).where(condition).order_by(sa.case((out > 0, 0), else_=1), Keyset.id)
    return page_of(
        *(session, keysets, page, size), take=lambda shown: _with_copies(session, session.scalars(shown).all())
    )


def _with_copies(session: Session, keysets: Sequence[Keyset]) -> list[KeysetCopies]:
    keys: dict[int, list[Key]] = {}
    rows = sa.select(Key).where(Key.keyset_id.in_([one.id for one in keysets])).order_by(Key.copy_number)
    for key in session.scalars(rows):
        keys.setdefault(key.keyset_id, []).append(key)
    return [KeysetCopies(one, tuple(keys.get(one.id, ()))) for one in keysets]


def get_key(session: Session, key_id: int) -> Key:
    """A key with its keyset, system and customer; NotFound when there is none."""
    load = joinedload(Key.keyset).joinedload(Keyset.system).joinedload(KeySystem.customer)
    return get_row(session, Key, key_id, "key", load)


def key_story(session: Session, key: Key) -> tuple[Event, ...]:
    """What happened to one key, newest first, among the last 500 events about keys of its system."""
    events = session.scalars(
        sa.select(Event)
        .where(Event.subject.in_(_subjects(session, key.keyset)), Event.kind.in_(KINDS))
        .order_by(Event.id.desc())
        .limit(500)
    )
    return tuple(event for event in events if key.id in event.detail.get("keys", ()))


def _subjects(session: Session, keyset: Keyset) -> list[str]:
    """What events about a keyset's keys are told of: its system, and each in which it stood before a split."""
    systems = [keyset.system_id]
    for system_id in systems:  # it grows while it is walked
        brought = sa.select(Event.detail).where(Event.subject == f"key system {system_id}", Event.kind == BROUGHT)
        for detail in session.scalars(brought.order_by(Event.id)):
            if keyset.id in detail["keysets"] and detail["from"] not in systems:
                systems.append(detail["from"])
    return [f"key system {one}" for one in systems]


@dataclass(frozen=True, slots=True)
class ReceiptKey:
    """One key on a receipt. opens: where it works, in words; stamp: what stands on it; became: where it went where
    it was taken back, in words; blank: what it was cut of, "" where nobody wrote that down.
    """

    keyset: str
    copy_number: int
    opens: str
    due_back: date | None = None
    stamp: str = ""
    became: str = ""
    blank: str = ""


@dataclass(frozen=True, slots=True)
class KeyReceipt:
    """Keys that one holder takes, or that were taken back from him (is_back). authority: who allowed it and how, ""
    where no owner of record is known.

    is_handed_over: issued_on is the day on which they changed hands; else the form is yet to be signed and dated.
    held: what the holder has of this customer's after it, in words; None where nobody wrote it down.
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
    is_back: bool = False
    held: tuple[str, ...] | None = None
    holds: int = 0


def find_receipt(session: Session, number: int) -> KeyReceipt:
    """The receipt with this number, in the words of when the keys changed hands; NotFound when there is none."""
    events = session.scalars(
        sa.select(Event)
        .where(Event.kind.in_(RECEIPTS), Event.detail["receipt"].as_integer() == number)
        .order_by(Event.id)
    ).all()
    if not events:
        raise NotFound("key receipt")
    first, said = events[0], events[0].detail
    due_back = date.fromisoformat(said["due_back"]) if said["due_back"] else None
    return KeyReceipt(
        number=key_receipt_number(number),
        issued_on=first.at.astimezone().date(),
        issued_by=first.actor_name,
        customer_name=said["customer"],
        site_name=said["site"],
        holder_name=said["holder"],
        holder_phone=said["phone"],
        authority=said["authority"],
        keys=tuple(
            ReceiptKey(
                one["symbol"],
                copy,
                "nothing any more" if copy in one.get("useless", ()) else one["opens"],
                due_back,
                f"{one.get('stamp', one['symbol'])} {copy}",
                became,
                blank,
            )
            for one in (event.detail for event in events)
            for unsaid in [[""] * len(one["copies"])]
            for copy, became, blank in zip(
                one["copies"], one.get("became", unsaid), one.get("blanks", unsaid), strict=True
            )
        ),
        is_back=first.kind == TAKEN_BACK,
        held=tuple(said["held"]) if "held" in said else None,
        holds=said.get("holds", 0),
    )


def say_blanks_cut(session: Session, keys: Sequence[Key]) -> list[str]:
    """What these keys were cut of, each in words; "" where nobody wrote it down."""
    keysets = {key.keyset for key in keys}
    return blanks_cut(session, {one for keyset in keysets for one in _subjects(session, keyset)}, keys)


def receipts_of(events: Sequence[Event]) -> tuple[int, ...]:
    """The numbers of the receipts among these events, newest first."""
    return tuple(event.detail["receipt"] for event in events if event.kind in RECEIPTS)


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
    held = Counter(person_key(key.holder) for key in keys if key.state is KeyState.OUT)
    if held and not held[person_key(taker)] and all(key.state is KeyState.OUT for key in keys):
        most = held.most_common(1)[0][0]
        taker = next(key.holder for key in keys if person_key(key.holder) == most)
    mine = [key for key in keys if key.state is KeyState.CUT or person_key(key.holder) == person_key(taker)]
    return taker, mine


def person_key(name: str) -> str:
    """What tells one person of a customer from another, however the name was typed.

    >>> person_key(" J.  Curlew") == person_key("j. curlew")
    True
    """
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


def keys_held(session: Session, customer_id: int, holder: str) -> tuple[Key, ...]:
    """The customer's keys that are out with a person, by system, keyset and copy: one query."""
    rows = _with_customer(sa.select(Key)).where(KeySystem.customer_id == customer_id, Key.state == KeyState.OUT)
    keys = session.scalars(
        rows.options(contains_eager(Key.keyset).contains_eager(Keyset.system)).order_by(*BY_COPY)
    ).all()
    wanted = person_key(holder)
    return tuple(key for key in keys if person_key(key.holder) == wanted)


def keys_of_holders(session: Session, people: Collection[tuple[int, str]]) -> dict[tuple[int, str], tuple[Key, ...]]:
    """The keys out with each of these (customer id, holder as on record), by customer and `person_key`: one query."""
    customers, names = {customer for customer, _ in people}, {name for _, name in people}
    rows = _with_customer(sa.select(Key)).where(
        KeySystem.customer_id.in_(customers), Key.holder.in_(names), Key.state == KeyState.OUT
    )
    found: dict[tuple[int, str], tuple[Key, ...]] = {}
    for key in session.scalars(
        rows.options(contains_eager(Key.keyset).contains_eager(Keyset.system)).order_by(*BY_COPY)
    ):
        person = key.keyset.system.customer_id, person_key(key.holder)
        found[person] = (*found.get(person, ()), key)
    return found


BY_COPY = (KeySystem.name, KeySystem.id, Keyset.id, Key.copy_number)


def say_held(keys: Sequence[Key]) -> list[str]:
    """Keys in words, a keyset each, "1AA copies 1-2"; with their system's name where they are of several."""
    copies: dict[Keyset, list[int]] = {}
    for key in keys:
        copies.setdefault(key.keyset, []).append(key.copy_number)
    several = len({keyset.system_id for keyset in copies}) > 1
    return [
        f"{keyset.symbol} {say_copies(numbers)}" + (f" of {keyset.system.name}" if several else "")
        for keyset, numbers in copies.items()
    ]
