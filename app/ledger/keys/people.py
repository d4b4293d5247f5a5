"""A person's keys at one customer; use case: they come back together, or go on to a successor."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session, contains_eager

from app.errors import Problem, Problems
from app.ledger.keys.key_queries import BY_COPY, KEY_RECEIPTS, RECEIPTS, TAKEN_BACK, keys_held, person_key
from app.ledger.keys.keys import (
    KeyTaker,
    hand_keys,
    name_of,
    read_note,
    receipt_words,
    record_keys,
    take_in,
    taker_problems,
    where_it_is,
)
from app.ledger.keys.losses import lose_keys
from app.ledger.keys.old_copies import require_not_old, say_retired, useless_copies
from app.ledger.keysystems.copy_numbers import say_copies
from app.ledger.store.engine import get_row, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import next_number
from app.ledger.store.numbers import key_receipt_number
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Event, Key, Keyset, KeyState, KeySystem, Role


@dataclass(frozen=True, slots=True)
class PersonsReceipt:
    """A receipt that a person signed. is_back: for keys that were taken back."""

    number: int
    on: date
    words: str
    is_back: bool


@dataclass(frozen=True, slots=True)
class KeyHolder:
    """Who holds, or held, keys of one customer. `keys` are out with him now, `lost` were lost with him."""

    customer: Customer
    name: str
    phone: str
    keys: tuple[Key, ...]
    lost: tuple[Key, ...]
    receipts: tuple[PersonsReceipt, ...]


def find_holder(session: Session, customer_id: int, name: str) -> KeyHolder:
    """A person's keys at a customer, by the name as it was typed; NotFound where there is no such customer."""
    customer, wanted = get_row(session, Customer, customer_id, "customer"), person_key(name)
    held = keys_held(session, customer_id, name)
    lost = session.scalars(
        sa.select(Key)
        .join(Key.keyset)
        .join(Keyset.system)
        .where(KeySystem.customer_id == customer_id, Key.state == KeyState.LOST)
        .options(contains_eager(Key.keyset).contains_eager(Keyset.system))
        .order_by(*BY_COPY)
    ).all()
    of_him = [key for key in lost if person_key(key.holder) == wanted]
    every = [*held, *of_him]
    receipts = _receipts(session, customer_id, wanted)
    return KeyHolder(
        customer,
        every[0].holder if every else " ".join(name.split()),
        next((key.holder_phone for key in every if key.holder_phone), ""),
        held,
        tuple(of_him),
        receipts,
    )


def _receipts(session: Session, customer_id: int, wanted: str) -> tuple[PersonsReceipt, ...]:
    systems = session.scalars(sa.select(KeySystem.id).where(KeySystem.customer_id == customer_id))
    events = session.scalars(
        sa.select(Event)
        .where(Event.subject.in_([f"key system {one}" for one in systems]), Event.kind.in_(RECEIPTS))
        .order_by(Event.id.desc())
        .limit(500)
    ).all()
    found: dict[int, list[Event]] = {}
    for event in events:
        if person_key(event.detail["holder"]) == wanted:
            found.setdefault(event.detail["receipt"], []).insert(0, event)
    return tuple(
        PersonsReceipt(
            number,
            mine[0].at.astimezone().date(),
            "; ".join(f"{one.detail['symbol']} {say_copies(one.detail['copies'])}" for one in mine),
            mine[0].kind == TAKEN_BACK,
        )
        for number, mine in found.items()
    )


@dataclass(frozen=True, slots=True)
class TakeBackForm:
    """What became of a person's keys, by their ids; what is named nowhere stays with him. `successor` takes what is
    handed on.
    """

    customer_id: int
    holder: str
    returned: Collection[int] = ()
    missing: Collection[int] = ()
    handed_on: Collection[int] = ()
    successor: str = ""
    phone: str = ""
    due_back: date | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class TakenBack:
    """The receipts to sign: the holder's, and the successor's where one took keys on; keys that are lost now; and
    what to know of old copies among those that came back, "" where there is none.
    """

    receipt: int
    successors_receipt: int | None
    lost: tuple[Key, ...]
    retired: str = ""


def take_back_keys(work: Work, form: TakeBackForm) -> TakenBack:
    """A person's keys, each returned, missing or handed on to a successor, in one step and on one receipt.

    Raises Problems on `holder`, `successor`, `phone`, `due_back`, `note` and `keys` (each that the person does not
    hold any more, and where it is; that none is named); then nothing changes.
    """
    work.require(Role.COUNTER, Role.BENCH)
    said, successor = read_note(form.note), KeyTaker(_line(form.successor), _line(form.phone), form.due_back)
    became = {
        **dict.fromkeys(form.returned, "returned"),
        **dict.fromkeys(form.missing, "missing"),
        **dict.fromkeys(form.handed_on, f"handed on to {successor.holder}"),
    }
    if not became:
        raise LedgerError("keys", "Say of at least one key that it is returned, missing or handed on.")
    problems = _successor_problems(work, form, successor) if form.handed_on else []
    with transaction(work.session):
        get_row(work.session, Customer, form.customer_id, "customer")
        held = {key.id: key for key in keys_held(work.session, form.customer_id, form.holder)}
        problems += [_not_held(work, form, key_id) for key_id in became if key_id not in held]
        if problems:
            raise Problems(problems)
        keys = [key for key in held.values() if key.id in became]
        holder, phone = keys[0].holder, next((key.holder_phone for key in keys if key.holder_phone), "")
        lost = tuple(key for key in keys if key.id in form.missing)
        back = [key for key in keys if key.id in form.returned]
        useless = useless_copies(work, keys)
        take_in(work, back)
        for keyset, missing in by_keyset(lost).items():
            lose_keys(work, keyset, missing, note=said or "Missing when the keys were taken back.")
        on = [key for key in keys if key.id in form.handed_on]
        require_not_old(work, on, "keys")
        taken_on = hand_keys(work, by_keyset(on), successor) if on else None
        work.session.flush()
        number = next_number(work.session, KEY_RECEIPTS)
        for place, (keyset, mine) in enumerate(by_keyset(keys).items()):
            copies, ends = [key.copy_number for key in mine], [became[key.id] for key in mine]
            parts = (
                f"{say_copies([copy for copy, end in zip(copies, ends, strict=True) if end == one])} {one}"
                for one in dict.fromkeys(ends)
            )
            words = f"{keyset.symbol} {', '.join(parts)}, from {holder}; receipt {key_receipt_number(number)}"
            words += f". {told}" if (told := say_retired([key for key in mine if key in back])) else ""
            detail = receipt_words(work, keyset, mine, number, KeyTaker(holder, phone), is_first=place == 0)
            detail["useless"] = [key.copy_number for key in mine if key in useless]
            record_keys(work, TAKEN_BACK, keyset, words, mine, copies=copies, became=ends, **detail)
        return TakenBack(number, taken_on, lost, say_retired(back))


def by_keyset(keys: Iterable[Key]) -> dict[Keyset, list[Key]]:
    """Keys by their keyset, in the order in which they come."""
    found: dict[Keyset, list[Key]] = {}
    for key in keys:
        found.setdefault(key.keyset, []).append(key)
    return found


def _line(text: str) -> str:
    return " ".join(text.split())


def _successor_problems(work: Work, form: TakeBackForm, successor: KeyTaker) -> list[Problem]:
    problems = [
        Problem("successor" if one.field == "holder" else one.field, one.message)
        for one in taker_problems(work, successor)
    ]
    if person_key(successor.holder) == person_key(form.holder):
        problems.append(Problem("successor", f"{form.holder} has them already: enter who takes them on."))
    return problems


def _not_held(work: Work, form: TakeBackForm, key_id: int) -> Problem:
    key = work.session.get(Key, key_id)
    if key is None or key.keyset.system.customer_id != form.customer_id:
        return Problem("keys", "One of these keys is not on record for this customer: look at the page again.")
    return Problem(
        "keys", f"{name_of(key)} {where_it_is(key)}. It is not with {form.holder} any more, so nothing was saved."
    )
