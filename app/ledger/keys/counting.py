"""Use cases: a customer's keys are counted. What stands on record is walked with, seen or missed, and put on record.

A count lists the keys that are out or in the shop as it begins. Work goes on meanwhile: a key that comes back or goes
out was in our hands, and so it is seen; one that is cut meanwhile is not part of the count.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import sqlalchemy as sa
from sqlalchemy.orm import Session, contains_eager, joinedload

from app.errors import Problem, Problems
from app.ledger.keys.key_queries import BY_COPY, say_held
from app.ledger.keys.keys import name_of, read_note, where_it_is
from app.ledger.keys.losses import lose_keys
from app.ledger.keys.people import by_keyset
from app.ledger.keysystems.copy_numbers import read_stamp
from app.ledger.store.engine import Page, get_row, get_version, page_in, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Counted, Customer, Key, KeyCount, KeyCountLine, Keyset, KeyState, KeySystem, Role, User
from app.pricing import show_day
from app.validation import counted

YEAR = timedelta(days=365)
IN_SHOP = "In the shop"
_COUNTED = (KeyState.CUT, KeyState.OUT, KeyState.RETURNED)
_MOST_STAMPS = 200


@dataclass(frozen=True, slots=True)
class CountedKey:
    """A key of a count. `found` is what counts now; `meanwhile`: where it went after the count began, in words."""

    line: KeyCountLine
    found: Counted
    meanwhile: str

    @property
    def key(self) -> Key:
        """The piece of metal."""
        return self.line.key

    @property
    def holder(self) -> str:
        """Who had it when the count began."""
        return self.line.holder or IN_SHOP


@dataclass(frozen=True, slots=True)
class CountSheet:
    """A count with its keys: people by name, then the shop's, each by system, keyset and copy.

    `later`: keys that were cut after it began, in words; who began and ended it by name.
    """

    count: KeyCount
    keys: tuple[CountedKey, ...]
    later: tuple[str, ...]
    started_by: str
    ended_by: str

    def of(self, *found: Counted) -> tuple[CountedKey, ...]:
        """Its keys of which this was found."""
        return tuple(one for one in self.keys if one.found in found)

    @property
    def open(self) -> tuple[CountedKey, ...]:
        """Keys of which nothing is said yet."""
        return self.of(Counted.OPEN)

    @property
    def missing(self) -> tuple[CountedKey, ...]:
        """Keys that nobody saw."""
        return self.of(Counted.MISSING)

    @property
    def by_holder(self) -> dict[str, list[CountedKey]]:
        """Its keys by who had them when it began."""
        found: dict[str, list[CountedKey]] = {}
        for one in self.keys:
            found.setdefault(one.holder, []).append(one)
        return found


def start_count(work: Work, customer_id: int) -> KeyCount:
    """Begin to count a customer's keys. LedgerError where none is out or in the shop, or where a count goes on."""
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        customer = get_row(work.session, Customer, customer_id, "customer")
        if (going_on := count_going_on(work.session, customer_id)) is not None:
            by = _name(work.session, going_on.started_by_id)
            raise LedgerError(
                "customer",
                f"A count of {customer.name}'s keys goes on since {_day(going_on.started_at)}, begun by {by}: "
                "go on with it, or stop it first.",
            )
        keys = _keys_to_count(work.session, customer_id)
        if not keys:
            raise LedgerError(
                "customer",
                f"No key of {customer.name} is out or in the shop, so there is nothing to count. Keys that are "
                "ordered count once they are cut.",
            )
        count = KeyCount(customer_id=customer_id, started_at=work.now, started_by_id=work.actor.user_id)
        work.session.add(count)
        work.session.flush()
        work.session.add_all(KeyCountLine(count_id=count.id, key_id=key.id, holder=key.holder) for key in keys)
        _record(work, "key count begun", count, f"Count of {counted(len(keys), 'key')} begun")
        return count


def count_going_on(session: Session, customer_id: int) -> KeyCount | None:
    """The customer's count that is not ended."""
    rows = sa.select(KeyCount).where(KeyCount.customer_id == customer_id, KeyCount.ended_at.is_(None))
    return session.scalar(rows.order_by(KeyCount.id).limit(1))


def say_count(session: Session, customer_id: int) -> str:
    """What a key that comes back or goes out just now means for the count that goes on, in a sentence; else ""."""
    count = count_going_on(session, customer_id)
    if count is None:
        return ""
    since = _day(count.started_at)
    return f"A count of this customer's keys goes on since {since}: a key of it that moves meanwhile counts as seen."


def _keys_to_count(session: Session, customer_id: int) -> Sequence[Key]:
    return session.scalars(
        sa.select(Key)
        .join(Key.keyset)
        .join(Keyset.system)
        .where(KeySystem.customer_id == customer_id, Key.state.in_(_COUNTED))
        .options(contains_eager(Key.keyset).contains_eager(Keyset.system))
        .order_by(*BY_COPY)
    ).all()


def count_sheet(session: Session, count_id: int) -> CountSheet:
    """A count as it stands; NotFound when there is none. Four queries."""
    count = get_row(session, KeyCount, count_id, "key count", joinedload(KeyCount.customer))
    lines = session.scalars(
        sa.select(KeyCountLine)
        .join(KeyCountLine.key)
        .join(Key.keyset)
        .join(Keyset.system)
        .where(KeyCountLine.count_id == count.id)
        .options(contains_eager(KeyCountLine.key).contains_eager(Key.keyset).contains_eager(Keyset.system))
        .order_by(*BY_COPY)
    ).all()
    keys = sorted(
        (_counted(count, line) for line in lines), key=lambda one: (not one.line.holder, one.holder.casefold())
    )
    there = {line.key_id for line in lines}
    later = (
        [] if count.ended_at else [one for one in _keys_to_count(session, count.customer_id) if one.id not in there]
    )
    return CountSheet(
        count,
        tuple(keys),
        tuple(say_held(later)),
        _name(session, count.started_by_id),
        _name(session, count.ended_by_id) if count.ended_at else "",
    )


def _counted(count: KeyCount, line: KeyCountLine) -> CountedKey:
    """What counts of a line. Once the count is ended, what was found then stands."""
    if count.ended_at is not None:
        return CountedKey(line, line.found, line.remark)
    key, since = line.key, _day(line.key.changed_at)
    in_shop = key.state in (KeyState.CUT, KeyState.RETURNED)
    if key.state is KeyState.LOST:
        return CountedKey(line, Counted.MISSING, f"on record as lost since {since}")
    if key.state is KeyState.RETIRED:
        return CountedKey(line, Counted.SEEN, f"out of use since {since}")
    if key.changed_at > count.started_at or key.holder != line.holder:
        came = f"came back on {since}" if in_shop else f"went to {key.holder or 'a holder not named'} on {since}"
        return CountedKey(line, Counted.SEEN, came)
    return CountedKey(line, line.found, "")


def mark_counted(work: Work, count_id: int, found: Mapping[int, tuple[Counted, Counted]]) -> int:
    """Say what was found of keys by their ids: what stood on the page, and what is so now; how many changed.

    Raises LedgerError where the count is ended, Problems on `keys` naming each key that somebody else marked
    otherwise meanwhile, or that came back or went out and cannot be missing; then nothing is marked.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        sheet = _going_on(work, count_id)
        by_key = {one.key.id: one for one in sheet.keys}
        changes = {by_key[key]: now for key, (before, now) in found.items() if key in by_key and before is not now}
        problems = [
            Problem("keys", f"{name_of(one.key)} was marked as {one.found.value} meanwhile: look at it again.")
            for one, now in changes.items()
            if one.found not in (found[one.key.id][0], now)
        ]
        _mark(work, sheet, changes, problems)
        return len(changes)


def mark_stamps(work: Work, count_id: int, text: str, found: Counted) -> tuple[CountedKey, ...]:
    """Say what was found of keys by what is stamped on them, "1AA-2, 2AA 1"; the keys as they stood before.

    Raises LedgerError where the count is ended, Problems on `stamps` with what is wrong of each; then none is marked.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        sheet = _going_on(work, count_id)
        wanted, problems = list[CountedKey](), list[Problem]()
        parts = [part.strip() for part in text.replace(";", ",").replace("\n", ",").split(",") if part.strip()]
        if not parts or len(parts) > _MOST_STAMPS:
            raise LedgerError("stamps", f"Type what is stamped on the keys, such as AA1-2; at most {_MOST_STAMPS}.")
        for part in parts:
            one = _stamped(work.session, sheet, part)
            if isinstance(one, Problem):
                problems.append(one)
            else:
                wanted.append(one)
        _mark(work, sheet, dict.fromkeys(wanted, found), problems, "stamps")
        return tuple(wanted)


def mark_rest(work: Work, count_id: int, found: Counted, holder: str | None = None) -> int:
    """Say the same of every key that is not counted yet, or of one holder's; how many there were."""
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        sheet = _going_on(work, count_id)
        rest = [one for one in sheet.open if holder is None or one.holder == holder]
        if not rest:
            raise LedgerError("keys", "All of these keys are counted already.")
        _mark(work, sheet, dict.fromkeys(rest, found), [])
        return len(rest)


def _going_on(work: Work, count_id: int) -> CountSheet:
    sheet = count_sheet(work.session, count_id)
    if sheet.count.ended_at is not None:
        raise LedgerError("", f"This count ended on {_day(sheet.count.ended_at)}: begin another one.")
    return sheet


def _mark(
    work: Work, sheet: CountSheet, changes: Mapping[CountedKey, Counted], problems: list[Problem], box: str = "keys"
) -> None:
    problems += [
        Problem(box, f"{name_of(one.key)} {one.meanwhile}: it is {one.found.value}, and cannot be {now.value}.")
        for one, now in changes.items()
        if one.meanwhile and now is not one.found
    ]
    if problems:
        raise Problems(problems[:8])
    for one, now in changes.items():
        one.line.found, one.line.found_at, one.line.found_by_id = now, work.now, work.actor.user_id
    for now in dict.fromkeys(changes.values()):
        said = "; ".join(say_held([one.key for one, what in changes.items() if what is now]))
        _record(work, "keys counted", sheet.count, f"{said}: {now.value}")


def _stamped(session: Session, sheet: CountSheet, text: str) -> CountedKey | Problem:
    stamp = read_stamp(text)
    if stamp is None:
        return Problem("stamps", f"{text[:40]!r} is no stamp: write symbol or blind code and copy number, as AA1-2.")
    found = [one for one in sheet.keys if _bears(one.key, stamp)]
    if len(found) > 1:
        systems = " and in ".join(one.key.keyset.system.name for one in found)
        return Problem("stamps", f"{text} is in {systems}: mark it in the table.")
    return found[0] if found else Problem("stamps", _why_not_counted(session, sheet.count, text, stamp))


def _bears(key: Key, stamp: tuple[str, int]) -> bool:
    return key.copy_number == stamp[1] and stamp[0] in (key.keyset.symbol.upper(), key.keyset.blind_code)


def _why_not_counted(session: Session, count: KeyCount, text: str, stamp: tuple[str, int]) -> str:
    rows = (
        sa.select(Key)
        .join(Key.keyset)
        .join(Keyset.system)
        .where(KeySystem.customer_id == count.customer_id, Key.copy_number == stamp[1])
        .options(contains_eager(Key.keyset))
        .order_by(*BY_COPY)
    )
    key = next((key for key in session.scalars(rows) if _bears(key, stamp)), None)
    aside = "Put the piece aside, and tell the owner."
    if key is None:
        return f"No key with the stamp {text} is on record for {count.customer.name}: it was never cut here. {aside}"
    match key.state:
        case KeyState.ORDERED:
            return f"{name_of(key)} is ordered, and not cut yet: no piece can bear this stamp. {aside}"
        case KeyState.LOST:
            return f"{name_of(key)} {where_it_is(key)}. If it is found, mark it as found on its page."
        case KeyState.RETIRED:
            return f"{name_of(key)} {where_it_is(key)}: it is scrap, or was withdrawn. {aside}"
        case _:
            return f"{name_of(key)} was cut after this count began, so it is not part of it."


def end_count(work: Work, count_id: int, version: int) -> CountSheet:
    """End a count read at `version`, each of its keys seen or missing; what is missing is on record as lost then.

    Raises LedgerError naming what is not counted yet, Stale, NotFound.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        count = get_version(work.session, KeyCount, count_id, "key count", version)
        sheet = _going_on(work, count_id)
        if sheet.open:
            is_or_are = "is" if len(sheet.open) == 1 else "are"
            named = "; ".join(say_held([one.key for one in sheet.open])[:8])
            left = f"{counted(len(sheet.open), 'key')} {is_or_are} not counted yet"
            raise LedgerError("keys", f"{left}: {named}. Mark each as seen or missing.")
        for one in sheet.keys:
            one.line.found, one.line.remark = one.found, one.meanwhile
        lost = by_keyset(one.key for one in sheet.missing if one.key.state is not KeyState.LOST)
        for keyset, keys in lost.items():
            lose_keys(work, keyset, keys, note=f"Missing at the count that began on {_day(count.started_at)}.")
        count.ended_at, count.ended_by_id = work.now, work.actor.user_id
        said = f"{counted(len(sheet.keys), 'key')}, {len(sheet.missing)} missing"
        said += (": " + "; ".join(say_held([one.key for one in sheet.missing]))) if sheet.missing else ""
        _record(work, "key count ended", count, f"Count of {said}")
    return count_sheet(work.session, count_id)


def stop_count(work: Work, count_id: int, version: int, why: str) -> None:
    """Stop a count read at `version` before its end: what was marked stays on its record, and nothing is lost by it.

    LedgerError on `note` without a reason, Stale, NotFound.
    """
    work.require(Role.COUNTER, Role.BENCH)
    said = read_note(why)
    if not said:
        raise LedgerError("note", "Say why the count stops.")
    with transaction(work.session):
        count = get_version(work.session, KeyCount, count_id, "key count", version)
        for one in _going_on(work, count_id).keys:
            one.line.found, one.line.remark = one.found, one.meanwhile
        count.ended_at, count.ended_by_id, count.why_stopped = work.now, work.actor.user_id, said
        _record(work, "key count stopped", count, f"Count stopped: {said}")


@dataclass(frozen=True, slots=True)
class CustomersCount:
    """A customer with keys out, and when they were last counted to the end; `going_on`: the count that is open."""

    customer_id: int
    name: str
    keys_out: int
    last: KeyCount | None
    missing: int
    going_on: KeyCount | None
    is_due: bool


def customers_to_count(work: Work, page: int = 1) -> Page[CustomersCount]:
    """Customers with keys out, those whose year is over first, then by name."""
    session = work.session
    rows = session.execute(
        sa.select(Customer.id, Customer.name, sa.func.count(Key.id))
        .select_from(Key)
        .join(Key.keyset)
        .join(Keyset.system)
        .join(KeySystem.customer)
        .where(Key.state == KeyState.OUT)
        .group_by(Customer.id, Customer.name)
        .order_by(Customer.name, Customer.id)
    ).all()
    last: dict[int, KeyCount] = {}
    going_on: dict[int, KeyCount] = {}
    for count in session.scalars(sa.select(KeyCount).order_by(KeyCount.id)):
        if count.ended_at is None:
            going_on[count.customer_id] = count
        elif not count.why_stopped:
            last[count.customer_id] = count
    missing = _missing_of(session, [count.id for count in last.values()])
    found = []
    for customer_id, name, out in rows:
        ended = last[customer_id].ended_at if customer_id in last else None
        found.append(
            CustomersCount(
                customer_id,
                name,
                out,
                last.get(customer_id),
                missing.get(last[customer_id].id, 0) if customer_id in last else 0,
                going_on.get(customer_id),
                ended is None or work.now - ended > YEAR,
            )
        )
    found.sort(key=lambda one: not one.is_due)
    return page_in(found, page, 50)


def counts_of(session: Session, customer_id: int) -> Sequence[KeyCount]:
    """A customer's counts, newest first."""
    rows = sa.select(KeyCount).where(KeyCount.customer_id == customer_id)
    return session.scalars(rows.order_by(KeyCount.id.desc()).limit(50)).all()


def _missing_of(session: Session, count_ids: Collection[int]) -> dict[int, int]:
    rows = sa.select(KeyCountLine.count_id, sa.func.count()).where(
        KeyCountLine.count_id.in_(count_ids), KeyCountLine.found == Counted.MISSING
    )
    return dict(session.execute(rows.group_by(KeyCountLine.count_id)).all())


def _name(session: Session, user_id: int | None) -> str:
    user = session.get(User, user_id) if user_id is not None else None
    return user.name if user else "the house"


def _day(moment: datetime) -> str:
    return show_day(moment.astimezone().date())


def _record(work: Work, kind: str, count: KeyCount, said: str) -> None:
    record(work, kind, f"customer {count.customer_id}", f"{said}.")
