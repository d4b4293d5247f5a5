"""Which events are moved, and which of their details: of jobs, keys and arrays; nothing of logins or of backups."""

from collections.abc import Callable, Mapping
from datetime import date
from typing import Any

from app.errors import BitternError
from app.ledger.bench.customers_keys import DECODED
from app.ledger.bench.pins import PINS_DRAWN
from app.ledger.goods.claims import CLAIM_OPENED, CLAIM_SETTLED
from app.ledger.goods.hand_overs import PART_TAKEN
from app.ledger.goods.order_lines import OF_JOBS
from app.ledger.goods.returns import GOODS_BACK
from app.ledger.goods.warranties import CAME_BACK, CLAIM_NOTED
from app.ledger.jobs.appointments import APPOINTED, APPOINTMENT_CHANGED
from app.ledger.jobs.construction import CORES_BACK, CORES_KEPT, CORES_NOT_BACK, MADE_DEAD, NOT_DEAD
from app.ledger.jobs.notes import NOTE
from app.ledger.jobs.reminders import REMINDER_DONE, REMINDER_SET
from app.ledger.jobs.schedule_revisions import PRINTED
from app.ledger.keys.key_queries import ISSUED, RECEIPTS, TAKEN_BACK
from app.ledger.keys.key_queries import KINDS as OF_KEYS
from app.ledger.keys.losses import KEY_LOST, LOSS_CLOSED
from app.ledger.keysystems.lost_keysets import KEYED_UNDER_LOST
from app.ledger.keysystems.sent_arrays import ARRAY_NOTED, ARRAY_SENT, ArrayState
from app.ledger.keysystems.ticks import CHECKED, KEYS_CUT, PINNED, PINNED_ANEW
from app.ledger.money.crediting import CREDITED
from app.ledger.money.invoicing import INVOICED
from app.ledger.money.payments import PaymentKind
from app.ledger.money.settling import EARLY
from app.ledger.people.users import name_key
from app.ledger.store.events import BITTINGS_REVEALED, CREDIT_EXCEEDED, DISCOUNT_GIVEN, LOW_PRICE

Fits = Callable[[Any], bool]


def _whole(value: Any) -> bool:
    return type(value) is int and abs(value) < 2**31


def _text(value: Any) -> bool:
    return isinstance(value, str)


def _yes(value: Any) -> bool:
    return value is True


def _wholes(value: Any) -> bool:
    return isinstance(value, list) and all(map(_whole, value))


def _texts(value: Any) -> bool:
    return isinstance(value, list) and all(map(_text, value))


def _pairs(value: Any) -> bool:
    return isinstance(value, list) and all(_wholes(pair) and len(pair) == 2 for pair in value)


def _triples(value: Any) -> bool:
    return isinstance(value, list) and all(_wholes(one) and len(one) == 3 for one in value)


def _day(value: Any) -> bool:
    return value == "" or date.fromisoformat(value) is not None


_MONEY: Mapping[str, Fits] = {
    "payment": _whole,
    "kind_of_payment": set(PaymentKind).__contains__,
    "note": _text,
    "total_cents": _whole,
    "paid_cents": _whole,
    "used": _triples,
}
_PAPER: Mapping[str, Fits] = {"invoice": _whole, "total_cents": _whole}
_KEYS: Mapping[str, Fits] = {"keys": _wholes}
_CYLINDERS: Mapping[str, Fits] = {"cylinders": _wholes}
_CONSTRUCTION: Mapping[str, Fits] = {**_CYLINDERS, "keyset": _whole, "symbol": _text, "on": _day, "draft": _text}
_TAKEN: Mapping[str, Fits] = {
    **_KEYS,
    **_CYLINDERS,
    "taken_by": _text,
    "goods": _pairs,
    "removed": _wholes,
    "lost_still": _text,
    "not_on_record": _text,
}
_RECEIPT: Mapping[str, Fits] = {
    **_KEYS,
    "receipt": _whole,
    "copies": _wholes,
    "due_back": _day,
    **dict.fromkeys(("symbol", "opens", "holder", "phone", "customer", "site", "authority"), _text),
}
_ARRAY: Mapping[str, Fits] = {
    "number": _whole,
    "keysets": _wholes,
    **dict.fromkeys(("maker", "person", "purpose", "way"), _text),
}
_ARRAY_NOTED: Mapping[str, Fits] = {"sent": _whole, "state": set(ArrayState).__contains__, "note": _text}
# Later than the first receipts: these are not on all of them.
_ON_LATER: Mapping[str, Fits] = {"stamp": _text, "held": _texts, "holds": _whole, "became": _texts, "blanks": _texts}
# Kinds of events, and the details that go with them. A detail that is not named here stays in the house: what is
# exported was looked at one by one, and holds no bitting, no token and no place of a file.
EXPORTED: Mapping[str, Mapping[str, Fits]] = {
    "job opened": {},
    "quote issued": {"revision": _whole, "total_cents": _whole, "keyed_at": _text},
    "face agreed": {},
    "keying overridden": {},
    LOW_PRICE: {},
    DISCOUNT_GIVEN: {},
    "quote sent": {"revision": _whole},
    "reserve used": {},
    "quote accepted": {
        "revision": _whole,
        "option": _text,
        "po_number": _text,
        "doors": _whole,
        "cylinders": _whole,
    },
    "stage moved": {"uncut": _wholes, "owed_cents": _whole, "left": _text, **_TAKEN},
    PRINTED: {"revision": _whole},
    PART_TAKEN: {"owed_cents": _whole, "left": _text, **_TAKEN},
    NOTE: {},
    "file kept": {"bytes": _whole},
    **dict.fromkeys(("deposit taken", "payment taken", "refund given", "put on account"), _MONEY),
    **dict.fromkeys((INVOICED, CREDITED), _PAPER),
    EARLY: {"invoice": _whole, "discount_cents": _whole},
    CREDIT_EXCEEDED: {},
    PINS_DRAWN: _CYLINDERS,
    APPOINTED: {},
    APPOINTMENT_CHANGED: {},
    REMINDER_SET: {},
    REMINDER_DONE: {},
    CAME_BACK: {},
    CLAIM_NOTED: {},
    GOODS_BACK: {**_KEYS, "removed": _wholes, "goods": _pairs},
    CLAIM_OPENED: {},
    **dict.fromkeys((MADE_DEAD, NOT_DEAD, CORES_BACK, CORES_KEPT, CORES_NOT_BACK), _CONSTRUCTION),
    CLAIM_SETTLED: {},
    DECODED: {},
    **dict.fromkeys((PINNED, CHECKED), _CYLINDERS),
    PINNED_ANEW: {**_CYLINDERS, "same_pins": _yes},
    "bench time recorded": {},
    BITTINGS_REVEALED: {},
    "authority overridden": {},
    KEYED_UNDER_LOST: {},
    "cross-keyed": {"cylinder": _whole, "combinations_before": _whole, "combinations_after": _whole},
    **{kind: {} for kind in OF_JOBS},
    **dict.fromkeys(OF_KEYS, _KEYS),
    KEYS_CUT: {**_KEYS, "blanks": _texts},
    ISSUED: {**_RECEIPT, **_ON_LATER},
    TAKEN_BACK: {**_RECEIPT, **_ON_LATER},
    KEY_LOST: {**_KEYS, **_CYLINDERS, "loss": _whole},
    LOSS_CLOSED: {**_KEYS, "loss": _whole},
    ARRAY_SENT: _ARRAY,
    ARRAY_NOTED: _ARRAY_NOTED,
}
OF_NO_JOB = frozenset((*OF_KEYS, ARRAY_SENT, ARRAY_NOTED))
# A signed receipt, and a copy that left the house, have every one of their words.
_ALL_OF_IT = {**dict.fromkeys(RECEIPTS, _RECEIPT), ARRAY_SENT: _ARRAY, ARRAY_NOTED: _ARRAY_NOTED}


def is_exported(kind: str, job_id: int | None) -> bool:
    """Whether an event is moved: of a job, of the register of keys, or of an array that left the house.

    >>> is_exported("stage moved", 3), is_exported("keys cut", None), is_exported("login", None)
    (True, True, False)
    >>> is_exported("backup made", 3)
    False
    """
    return kind in EXPORTED and (job_id is not None or kind in OF_NO_JOB)


def exported_detail(kind: str, detail: Mapping[str, Any]) -> dict[str, Any]:
    """The details of an event that are moved, in the order in which they stand.

    >>> exported_detail("quote sent", {"revision": 2, "token": "press"})
    {'revision': 2}
    """
    return {name: value for name, value in detail.items() if name in EXPORTED[kind]}


def check_event(row: Mapping[str, Any]) -> None:
    """An event of a job or a key, with the details that its kind has, by the person that it names."""
    kind, detail = row["kind"], row["detail"]
    if not is_exported(kind, row.get("job_id")):
        refusal = f"Write one of: {', '.join(EXPORTED)}; all but those of keys and arrays with their job's row."
        raise BitternError("kind", refusal)
    if row.get("actor_id") is not None and name_key(row["actor_id"]) != name_key(row["actor_name"]):
        raise BitternError("actor_id", "This is not the actor name of this row; leave it empty for the house itself.")
    if not isinstance(detail, dict):
        raise BitternError("detail", "The details of an event are one JSON object.")
    fields = EXPORTED[kind]
    for name in detail:
        if name not in fields:
            known = f"has: {', '.join(fields)}" if fields else "has no details: write {}"
            raise BitternError("detail", f"{name[:40]!r} is no detail of this event. This kind {known}.")
        if not _fits(fields[name], detail[name]):
            raise BitternError("detail", f"What stands under {name!r} is not what it was exported as.")
    if missing := _ALL_OF_IT.get(kind, {}).keys() - detail.keys():
        raise BitternError("detail", f"Words of this event are missing here: {', '.join(sorted(missing))}.")


def _fits(fits: Fits, value: Any) -> bool:
    try:
        return fits(value)
    except (TypeError, ValueError):
        return False
