"""Which events an export carries, with which details, and how another house takes them in."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError, Problem
from app.ledger.bench.checkoff import CHECKED, PINNED
from app.ledger.jobs.notes import NOTE
from app.ledger.jobs.payments import PaymentKind
from app.ledger.keys.keys_held import ISSUED
from app.ledger.keys.keys_held import KINDS as OF_KEYS
from app.ledger.keysystems.lost_masters import KEYED_UNDER_LOST
from app.ledger.keysystems.ticks import PINNED_ANEW
from app.ledger.moving.loading import People
from app.ledger.moving.merged_rows import Values
from app.ledger.moving.tables import MovedTable
from app.ledger.people.user_queries import name_key
from app.ledger.store.work import Work
from app.ledger.tables import Event

Fits = Callable[[Any], bool]


def _whole(value: Any) -> bool:
    return type(value) is int and abs(value) < 2**31


def _text(value: Any) -> bool:
    return isinstance(value, str)


def _wholes(value: Any) -> bool:
    return isinstance(value, list) and all(map(_whole, value))


def _way(value: Any) -> bool:
    return value in set(PaymentKind)


def _day(value: Any) -> bool:
    return value == "" or date.fromisoformat(value) is not None


_MONEY: Mapping[str, Fits] = {
    "payment": _whole,
    "kind_of_payment": _way,
    "note": _text,
    "total_cents": _whole,
    "paid_cents": _whole,
}
_KEYS: Mapping[str, Fits] = {"keys": _wholes}
_RECEIPT: Mapping[str, Fits] = {
    "keys": _wholes,
    "receipt": _whole,
    "symbol": _text,
    "copies": _wholes,
    "opens": _text,
    "holder": _text,
    "phone": _text,
    "due_back": _day,
    "customer": _text,
    "site": _text,
    "authority": _text,
}
# Kinds of events, and the details that go with them. A detail that is not named here stays in the house: what is
# carried was looked at one by one, and holds no bitting, no token and no place of a file.
TOLD: Mapping[str, Mapping[str, Fits]] = {
    "job opened": {},
    "quote issued": {"revision": _whole, "total_cents": _whole, "keyed_at": _text},
    "face agreed": {},
    "keying overridden": {},
    "quote sent": {"revision": _whole},
    "quote accepted": {
        "revision": _whole,
        "option": _text,
        "po_number": _text,
        "doors": _whole,
        "cylinders": _whole,
    },
    "stage moved": {"taken_by": _text, "uncut": _wholes, "owed_cents": _whole},
    NOTE: {},
    "file kept": {"bytes": _whole},
    "deposit taken": _MONEY,
    "payment taken": _MONEY,
    "refund given": _MONEY,
    "put on account": _MONEY,
    "pins drawn": {},
    PINNED: {"cylinders": _wholes},
    CHECKED: {"cylinders": _wholes},
    PINNED_ANEW: {"cylinders": _wholes},
    "bench time recorded": {},
    "bittings revealed": {},
    "authority overridden": {},
    KEYED_UNDER_LOST: {},
    "cross-keyed": {"combinations_before": _whole, "combinations_after": _whole},
    **dict.fromkeys(OF_KEYS, _KEYS),
    ISSUED: _RECEIPT,
    "key lost": {**_KEYS, "cylinders": _wholes},
}
_ALL_OF_IT = frozenset({ISSUED})  # a signed receipt has every one of its words


def is_told(kind: str, job_id: int | None) -> bool:
    """Whether an event is moved: of a job, or of the register of keys.

    >>> is_told("stage moved", 3), is_told("keys cut", None), is_told("login", None), is_told("backup made", 3)
    (True, True, False, False)
    """
    return kind in TOLD and (job_id is not None or kind in OF_KEYS)


def told_detail(kind: str, detail: Mapping[str, Any]) -> dict[str, Any]:
    """The details of an event that are moved, in the order in which they stand.

    >>> told_detail("quote sent", {"revision": 2, "token": "press"})
    {'revision': 2}
    """
    return {name: value for name, value in detail.items() if name in TOLD[kind]}


def check_told(row: Mapping[str, Any]) -> None:
    """An event of a job or a key, with the details that its kind has, by the person that it names."""
    kind, detail = row["kind"], row["detail"]
    if not is_told(kind, row.get("job_id")):
        raise BitternError("kind", f"Write one of: {', '.join(TOLD)}; all but those of keys with their job's row.")
    if row.get("actor_id") is not None and name_key(row["actor_id"]) != name_key(row["actor_name"]):
        raise BitternError("actor_id", "This is not the actor name of this row; leave it empty for the house itself.")
    if not isinstance(detail, dict):
        raise BitternError("detail", "The details of an event are one JSON object.")
    fields = TOLD[kind]
    for name in detail:
        if name not in fields:
            told = f"has: {', '.join(fields)}" if fields else "has no details: write {}"
            raise BitternError("detail", f"{name[:40]!r} is no detail of this event. This kind {told}.")
        if not _fits(fields[name], detail[name]):
            raise BitternError("detail", f"What stands under {name!r} is not what it was exported as.")
    missing = fields.keys() - detail.keys() if kind in _ALL_OF_IT else set()
    if missing:
        raise BitternError("detail", f"A receipt's words are missing here: {', '.join(sorted(missing))}.")


def _fits(fits: Fits, value: Any) -> bool:
    try:
        return fits(value)
    except (TypeError, ValueError):
        return False


_AHEAD = timedelta(minutes=10)  # as much as two clocks may differ


def story_values(session: Session, moved: MovedTable, people: People) -> Iterator[Values]:
    """The events that are moved, oldest first, numbered from 1: an event's own number belongs to its house."""
    of_a_job = sa.and_(Event.job_id.is_not(None), Event.kind.in_(TOLD))
    rows = sa.select(*moved.columns).where(sa.or_(of_a_job, Event.kind.in_(OF_KEYS))).order_by(Event.id)
    for number, row in enumerate(session.execute(rows.execution_options(yield_per=2000)).mappings(), start=1):
        yield {
            **people.with_names(dict(row), moved.people),
            "id": number,
            "detail": told_detail(row["kind"], row["detail"]),
        }


def plan_story(
    work: Work, moved: MovedTable, people: People, read: Sequence[tuple[int, Values]]
) -> tuple[list[tuple[int, Values]], int, int, list[Problem]]:
    """What of a story would be taken on, how many events stand here already, how many only here, what is wrong.

    The story of one job, or of one key system's keys, may go on from what is here; it never says otherwise.
    """
    here: dict[Any, list[Values]] = defaultdict(list)
    for values in story_values(work.session, moved, people):
        here[_about(values)].append(values)
    further: list[tuple[int, Values]] = []
    problems: list[Problem] = []
    seen: dict[Any, int] = defaultdict(int)
    unchanged = 0
    for number, values in sorted(read, key=lambda one: int(one[1]["id"])):
        about = _about(values)
        place = seen[about]
        seen[about] += 1
        if values["at"] > work.now + _AHEAD:
            problems.append(moved.problem(number, "at", "This moment has not come yet by the clock of this machine."))
        elif place >= len(here[about]):
            further.append((number, values))
        elif different := _differs(values, here[about][place]):
            said = str(here[about][place][different])[:60]
            told = f"On record here this place of the story says {said!r}. A story is never changed; leave it out, or"
            problems.append(moved.problem(number, different, f"{told} write it as it was exported."))
        else:
            unchanged += 1
    unnamed = sum(max(len(told) - seen[about], 0) for about, told in here.items())
    return further, unchanged, unnamed, problems


def _about(values: Values) -> Any:
    return values.get("job_id") or values["subject"]


def _differs(values: Values, here: Values) -> str | None:
    return next((name for name, value in values.items() if name != "id" and value != here[name]), None)
