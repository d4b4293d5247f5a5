"""A maker's new price list: what it changes from which day, taken or left by item, undone like any import."""

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import cached_property
from typing import Any, NamedTuple

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError
from app.ledger.catalog.item_prices import ListedPrice
from app.ledger.catalog.maker_items import forget_items
from app.ledger.catalog.maker_queries import get_maker
from app.ledger.catalog.price_editing import refuse_thin
from app.ledger.catalog.price_queries import guard, least_margin, price_book
from app.ledger.catalog.price_rules import RuledBook, price_rules
from app.ledger.importing.imports import SentTable, remember_choice, unused_columns
from app.ledger.importing.kinds import RowProblem
from app.ledger.importing.price_list_rows import ListChange, ListState, compare_rows, tenths
from app.ledger.importing.reading import TableChoice, read_table
from app.ledger.importing.written import WrittenRows
from app.ledger.store.engine import change_rows, in_steps, transaction, write_many
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import record
from app.ledger.store.work import Progress, Work, nobody_watches
from app.ledger.tables import Import, Item, ItemPrice, Maker, PriceBookRow
from app.pricing import show_day
from app.spreadsheets import MONTH_FIRST, FoundTable, cell_day
from app.validation import counted

_ITEMS: Any = Item.__table__
_PRICES: Any = ItemPrice.__table__
_BOOK: Any = PriceBookRow.__table__
_DAYS = re.compile(
    r"\d{4}-\d\d-\d\d|\d{1,2}[/.]\d{1,2}[/.]\d{2,4}|[A-Za-z]{3,9}\.? \d{1,2}(?:st|nd|rd|th)?,? \d{4}"
    r"|\d{1,2}[ -][A-Za-z]{3,9}\.?,?[ -]\d{4}"
)
_HOLDS_FROM = re.compile(r"\b(?:effective|valid|holds?|from)\b", re.IGNORECASE)
_TO = r"\b(?:until|till|to|through|thru|expires?|ends?)\b"
_HOLDS_TO = re.compile(_TO, re.IGNORECASE)
_LAST_DAY_NEXT = re.compile(_TO + r"(?: and including| on)?:?(?: [a-z]+day,?)? *$", re.IGNORECASE)


@dataclass(frozen=True)
class ListComparison:
    """What a list would change from a day on, gone items last. problems: rows that are left aside."""

    maker: Maker
    day: date
    changes: tuple[ListChange, ...]
    problems: tuple[RowProblem, ...]
    unused: tuple[str, ...]
    has_costs: bool
    rows: int

    @cached_property
    def by_state(self) -> Mapping[ListState, Sequence[ListChange]]:
        """The changes of each kind, what rises or falls most first."""
        found: dict[ListState, list[ListChange]] = {state: [] for state in ListState}
        for change in self.changes:
            found[change.state].append(change)
        found[ListState.DEARER].sort(key=lambda one: (-one.rise, one.code))
        found[ListState.CHEAPER].sort(key=lambda one: (one.rise, one.code))
        return found

    @property
    def mean_rise(self) -> Decimal:
        """The mean of what is dearer, in percent."""
        dearer = self.by_state[ListState.DEARER]
        return tenths(sum((one.rise for one in dearer), Decimal(0)) / len(dearer)) if dearer else Decimal(0)

    @property
    def is_foreign(self) -> bool:
        """Whether most of its numbers are none of this maker's."""
        named = sum(1 for change in self.changes if change.row)
        return self.rows > 0 and 2 * named < self.rows

    @property
    def names_part(self) -> bool:
        """Whether it names less than half of the maker's items, so that the others are hardly gone."""
        gone = len(self.by_state[ListState.GONE])
        return 2 * gone > len(self.changes) - len(self.by_state[ListState.NEW])

    @cached_property
    def seal(self) -> str:
        """Tells whether it would still do the same."""
        rows = [(change.code, change.before, change.after) for change in self.changes if is_change(change)]
        return hashlib.sha256(repr((self.day, rows)).encode("utf-8", "replace")).hexdigest()[:32]


def is_change(change: ListChange) -> bool:
    """Whether there is anything to take."""
    return change.state is not ListState.SAME


def day_of_list(table: FoundTable, today: date) -> date:
    """The day from which a list holds, as one of the titles above it says, or a column with one day alone; else
    today.
    """
    for title in table.titles:
        for found in _DAYS.finditer(title):
            if _LAST_DAY_NEXT.search(title[: found.start()]):
                continue
            with suppress(BitternError):
                return cell_day(re.sub(r"(?<=\d)(st|nd|rd|th)\b", "", found[0]), "day", MONTH_FIRST)
    for column in table.columns:
        heading = column.heading
        if not _HOLDS_FROM.search(heading) or _HOLDS_TO.search(heading):
            continue
        if len(said := {*filter(None, table.cells(column.place))}) == 1:
            with suppress(BitternError):
                return cell_day(said.pop(), "day", MONTH_FIRST)
    return today


def compare_list(
    session: Session, sent: SentTable, choice: TableChoice, day: date, *, costs_follow: bool = False
) -> ListComparison:
    """What a maker's list would change from a day on. costs_follow: where it says no cost, that rises as list."""
    read = read_table(session, sent.kind, sent.about_id, sent.table, choice)
    maker, place = get_maker(session, sent.about_id or 0), choice.columns.get("number", -1)
    named = sent.table.cells(place) if place >= 0 else ()
    changes = compare_rows(session, maker, read.rows, read.refuse, day, named, costs_follow=costs_follow)
    return ListComparison(
        maker,
        day,
        tuple(changes),
        tuple(sorted(read.problems)),
        unused_columns(sent, choice),
        "cost" in choice.columns,
        len(sent.table.numbers),
    )


class ThinItem(NamedTuple):
    """An item whose own price leaves too little once its list is taken; cents each."""

    change: ListChange
    price_cents: int
    why: str


def thin_items(session: Session, comparison: ListComparison, taken: Iterable[ListChange]) -> list[ThinItem]:
    """The items that fall under the house's least margin by this list, at what everybody pays for one."""
    book = RuledBook(price_book(session).rows, price_rules(session))
    least = least_margin(session)
    maker, day = comparison.maker.code, comparison.day
    columns = (_ITEMS.c[name] for name in ("id", "code", "category", "list_cents", "cost_cents"))
    rows = session.execute(sa.select(*columns).where(_ITEMS.c.maker_id == comparison.maker.id))
    items: dict[int, Any] = {row.id: row for row in rows}
    found = []
    for change in taken:
        if change.item_id is None or change.state is ListState.GONE or not change.after.cost_cents:
            continue
        item = items[change.item_id]
        before, after = (
            book.selling(item, maker, day, None, Decimal(0), 1, listed) or 0
            for listed in (change.before, change.after)
        )
        why = guard(after, change.after.cost_cents, least)
        if why and not guard(before, change.before.cost_cents, least):
            found.append(ThinItem(change, after, why))
    return found


def refuse_thin_items(thin: Sequence[ThinItem], *, is_thin_meant: bool) -> None:
    """LedgerError on `is_thin_meant` where there are such items and nobody said that this is meant."""
    if thin:
        refuse_thin(f"{counted(len(thin), 'item')} would be sold under the least margin.", is_thin_meant)


@dataclass(frozen=True, slots=True)
class ListAnswer:
    """What somebody says to a list: from which day, which items are left, whether costs rise with list prices."""

    day: date
    left: frozenset[str] = frozenset()
    costs_follow: bool = False

    def taken(self, comparison: ListComparison) -> list[ListChange]:
        """What of a list is taken."""
        return [one for one in comparison.changes if is_change(one) and one.code not in self.left]


def take_price_list(
    work: Work,
    sent: SentTable,
    choice: TableChoice,
    answer: ListAnswer,
    seal: str,
    *,
    is_thin_meant: bool = False,
    progress: Progress = nobody_watches,
) -> Import:
    """Take a maker's list, all that is not left of it at once: now, or by its day where that is later.

    Raises Stale where the list would do something else than was shown; LedgerError on `is_thin_meant` where items
    fall under the least margin and nobody said that this is meant. Nothing is saved then.
    """
    work.require_owner()
    with transaction(work.session):
        progress("comparing with what is on record", 0, 0)
        comparison = compare_list(work.session, sent, choice, answer.day, costs_follow=answer.costs_follow)
        if comparison.seal != seal:
            raise Stale("What this list would change is not what was shown any more. Nothing was saved; look again.")
        taken = answer.taken(comparison)
        if not taken:
            raise LedgerError("left", "Nothing of this list is taken: tick what to take.")
        refuse_thin_items(thin_items(work.session, comparison, taken), is_thin_meant=is_thin_meant)
        progress(f"saving {counted(len(taken), 'item')}", 0, 0)
        count = {state: sum(one.state is state for one in taken) for state in ListState}
        row = Import(
            kind=sent.kind.name,
            file_name=sent.name[:120],
            sender=comparison.maker.name,
            made_at=work.now,
            made_by_id=work.actor.user_id,
            new=count[ListState.NEW],
            changed=len(taken) - count[ListState.NEW],
            unchanged=len(comparison.changes) - len(taken),
            aside=len({problem.row for problem in comparison.problems}),
            written={},
        )
        work.session.add(row)
        work.session.flush()
        written = WrittenRows()
        _put(work, row, comparison, taken, written)
        row.written = written.to_json(work.session)
        record(work, "price list taken", f"maker {comparison.maker.id}", _told(comparison, count))
        remember_choice(work, sent, choice, comparison.maker.name)
        return row


def _told(comparison: ListComparison, count: Mapping[ListState, int]) -> str:
    parts = [f"{number:,} {state.value}" for state, number in count.items() if number]
    return f"Price list of {comparison.maker.name} from {show_day(comparison.day)}: {', '.join(parts)}"


def _put(
    work: Work, row: Import, comparison: ListComparison, taken: Sequence[ListChange], written: WrittenRows
) -> None:
    session, day, holds = work.session, comparison.day, comparison.day <= work.today
    made = [change for change in taken if change.item_id is None and change.made is not None]
    start = {"list_cents": None, "cost_cents": 0}
    rows = [
        {**dict(change.made or {}), **(change.after._asdict() if holds else start), "version": 1} for change in made
    ]
    for some in in_steps(rows):
        session.execute(sa.insert(_ITEMS), some)
    codes = sa.select(_ITEMS.c.code, _ITEMS.c.id).where(_ITEMS.c.maker_id == comparison.maker.id)
    ids: dict[str, int] = dict(session.execute(codes).all())
    written.note(Item, [ids[change.code] for change in made], {})
    priced = {ids[change.code]: change.after for change in taken if change.state is not ListState.GONE}
    marked = [
        (change.item_id, day if change.state is ListState.GONE else None, change.unlisted_from)
        for change in taken
        if change.item_id is not None and (change.state is ListState.GONE or change.unlisted_from)
    ]
    if marked:
        change_rows(session, Item, {id_: {"unlisted_from": after} for id_, after, _ in marked})
        written.note(Item, (), {id_: {"unlisted_from": before} for id_, _, before in marked})
    if holds:
        old = {change.item_id for change in taken if change.item_id is not None}
        put_prices(session, {id_: price for id_, price in priced.items() if id_ in old}, written)
    else:
        _let_wait(session, row.id, day, priced, written)
    forget_items(session)
    session.expire_all()


def put_prices(session: Session, prices: Mapping[int, ListedPrice], written: WrittenRows) -> None:
    """Give items their list prices and costs, and note what stood there."""
    columns = sa.select(_ITEMS.c.id, _ITEMS.c.code, _ITEMS.c.list_cents, _ITEMS.c.cost_cents)
    before: dict[int, dict[str, Any]] = {}
    costs: dict[str, tuple[int, int]] = {}
    for some in in_steps(list(prices)):
        for id_, code, *was in session.execute(columns.where(_ITEMS.c.id.in_(some))):
            after = prices[id_]._asdict()
            before[id_] = {name: value for name, value in zip(after, was, strict=True) if value != after[name]}
            if "cost_cents" in before[id_]:
                costs[code] = (was[1], after["cost_cents"])
    _put_costs(session, costs, written)
    changed = {id_: kept for id_, kept in before.items() if kept}
    change_rows(session, Item, {id_: prices[id_]._asdict() for id_ in changed})
    written.note(Item, (), changed)


def _put_costs(session: Session, costs: Mapping[str, tuple[int, int]], written: WrittenRows) -> None:
    """The house's own prices of these numbers that have the item's cost beside them have the new one there."""
    rows = sa.select(_BOOK.c.id, _BOOK.c.code, _BOOK.c.cost_cents).order_by(_BOOK.c.id)
    own = sa.select(_ITEMS.c.code).where(_ITEMS.c.maker_id.is_(None))
    found = [
        (id_, code)
        for id_, code, cost in session.execute(rows.where(_BOOK.c.code.not_in(own)))
        if code in costs and cost == costs[code][0]
    ]
    if found:
        change = sa.update(_BOOK).where(_BOOK.c.id == sa.bindparam("row_id"))
        after = [{"row_id": id_, "cost_cents": costs[code][1]} for id_, code in found]
        write_many(session, change.values(cost_cents=sa.bindparam("cost_cents")), after)
        written.note(PriceBookRow, (), {id_: {"cost_cents": costs[code][0]} for id_, code in found})


def _let_wait(
    session: Session, import_id: int, day: date, prices: Mapping[int, ListedPrice], written: WrittenRows
) -> None:
    kept = ("list_cents", "cost_cents", "import_id")
    columns = sa.select(*(_PRICES.c[name] for name in ("id", "item_id", *kept))).where(_PRICES.c.valid_from == day)
    there = {row.item_id: row for row in session.execute(columns) if row.item_id in prices}
    new = [
        {"item_id": id_, "valid_from": day, "import_id": import_id, **price._asdict()}
        for id_, price in prices.items()
        if id_ not in there
    ]
    for some in in_steps(new):
        session.execute(sa.insert(_PRICES), some)
    ours = sa.select(_PRICES.c.id).where(_PRICES.c.import_id == import_id).order_by(_PRICES.c.id)
    made = session.scalars(ours).all()
    if there:
        change = sa.update(_PRICES).where(_PRICES.c.id == sa.bindparam("row_id"))
        write_many(
            session,
            change.values({name: sa.bindparam(f"new_{name}") for name in kept}),
            [
                {"row_id": row.id, "new_import_id": import_id}
                | {f"new_{name}": cents for name, cents in prices[id_]._asdict().items()}
                for id_, row in there.items()
            ],
        )
    before = {row.id: {name: getattr(row, name) for name in kept} for row in there.values()}
    written.note(ItemPrice, made, before)


def bring_in_prices(work: Work) -> int:
    """Give items the prices whose day has come; how many. What it writes belongs to the import that brought the list,
    and is undone with it.
    """
    due = sa.select(ItemPrice).where(ItemPrice.valid_from <= work.today)
    if work.session.scalar(due.with_only_columns(ItemPrice.id).limit(1)) is None:
        return 0
    with transaction(work.session):
        # Locked and read in here: of two first requests of a day at once, the later finds nothing left to do.
        rows = work.session.scalars(due.order_by(ItemPrice.valid_from, ItemPrice.id).with_for_update()).all()
        if not rows:
            return 0
        lists: dict[int | None, dict[int, ListedPrice]] = {}
        for row in rows:
            lists.setdefault(row.import_id, {})[row.item_id] = ListedPrice(row.list_cents, row.cost_cents)
        for import_id, prices in lists.items():
            brought = work.session.get(Import, import_id) if import_id else None
            written = WrittenRows.from_json(brought.written if brought else {})
            written.forget(ItemPrice)
            put_prices(work.session, prices, written)
            if brought:
                brought.written = written.to_json(work.session)
            of = f"{brought.sender}'s list" if brought else "a list that another house took"
            record(
                work,
                "price list holds",
                f"import {import_id}" if brought else "items",
                f"{counted(len(prices), 'price')} of {of} hold from today",
            )
        for some in in_steps([row.id for row in rows]):
            work.session.execute(sa.delete(ItemPrice).where(ItemPrice.id.in_(some)))
        forget_items(work.session)
    return len(rows)
