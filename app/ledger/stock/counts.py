"""Counts of the shelf: begun for chosen items of a place, typed in, looked at with what the differences cost, saved.

A count is of a moment: that of its sheet. What moved since is counted in where it was counted before that; where it
was counted after, the newer moment is taken. Which of the two nobody but the person who counted can know, so of an
item that moved since the count began it is asked.
"""

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from enum import StrEnum
from functools import partial
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.errors import BitternError, Problem, Problems
from app.ledger.catalog.price_queries import entered_bench_terms
from app.ledger.stock.items import WITH_MAKER, code_pattern, name_item, unpinned_item
from app.ledger.stock.movements import lock_item, mark_counted, move_stock, newest_movement
from app.ledger.stock.needs import reserve_waiting
from app.ledger.store.engine import Page, get_row, in_steps, page_of, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import (
    SHELF,
    Item,
    ItemKind,
    Maker,
    MovementKind,
    Need,
    Role,
    StockCount,
    StockCountLine,
    StockMovement,
    StockPlace,
)
from app.spreadsheets import cell_whole, head_problems, table_rows, unguarded
from app.validation import counted

MOST_FOUND = 1_000_000
# Pins are counted on a page of their own, by size.
_ON_SHELVES = Item.kind.not_in((ItemKind.PIN, ItemKind.LABOR))
_IS_KEPT = sa.or_(Item.is_counted, Item.is_stocked, Item.bin != "", Item.reorder_point.is_not(None))
_IS_OWN = sa.and_(Item.maker_id.is_(None), Item.kind == ItemKind.GOODS, Item.category != "keys")


class Since(StrEnum):
    """When somebody counted an item that moved while the count went on: before that, or after."""

    UNSAID = ""
    BEFORE = "before"
    AFTER = "after"


@dataclass(frozen=True, slots=True)
class CountChoice:
    """Which items of a place are counted; what is left open chooses none away.

    not_since: only those that nobody counted since that day. is_first: besides what was counted, is stocked by its
    maker's list, or has a bin or a reorder point, the house's own goods and cylinders without pins.
    """

    place_id: int = SHELF
    bin: str = ""
    maker_id: int | None = None
    kind: ItemKind | None = None
    not_since: date | None = None
    words: str = ""
    is_first: bool = False


@dataclass(frozen=True, slots=True)
class Found:
    """How many of an item somebody found."""

    count: int
    since: Since = Since.UNSAID


@dataclass(frozen=True, slots=True)
class CountRow:
    """An item of a count. book: what was on hand, by the sums, when it was counted; moved: what moved since the count
    began, in words.
    """

    line: StockCountLine
    book: int
    now: int
    reserved: int
    was_counted: bool
    moved: str = ""

    @property
    def item(self) -> Item:
        """What is counted."""
        return self.line.item

    @property
    def difference(self) -> int:
        """What was found less what was on hand."""
        return (self.line.found or 0) - self.book

    @property
    def cents(self) -> int:
        """What the difference costs."""
        return self.difference * self.item.cost_cents


@dataclass(frozen=True, slots=True)
class CountPlan:
    """What saving a count would change. lines: how many were counted, of how many; differences: the rows with one."""

    count: StockCount
    counted: int
    lines: int
    differences: tuple[CountRow, ...]
    seal: str

    @property
    def gained_cents(self) -> int:
        """What was found over the sums, at cost."""
        return sum(one.cents for one in self.differences if one.difference > 0)

    @property
    def lost_cents(self) -> int:
        """What is missing, at cost; below zero."""
        return sum(one.cents for one in self.differences if one.difference < 0)


def begin_stock_count(work: Work, choice: CountChoice) -> StockCount:
    """Begin to count the chosen items. LedgerError where none is chosen."""
    work.require(Role.COUNTER, Role.BENCH)
    session = work.session
    with transaction(session):
        place = get_row(session, StockPlace, choice.place_id, "place")
        terms = entered_bench_terms(session, work.today) if choice.is_first else None
        for sort in terms.type_minutes if terms is not None else ():
            unpinned_item(work, sort.value)
        chosen = session.scalars(_chosen(choice)).all()
        if not chosen:
            raise LedgerError("bin", "No item of stock is so: choose by less, or begin the first count.")
        mark = newest_movement(session)
        count = StockCount(
            place_id=place.id,
            words=_say_choice(session, choice),
            mark_id=mark,
            started_at=work.now,
            started_by_id=work.actor.user_id,
        )
        session.add(count)
        session.flush()
        for some in in_steps(chosen):
            rows = [{"count_id": count.id, "item_id": item, "mark_id": mark} for item in some]
            session.execute(sa.insert(StockCountLine), rows)
        _record(work, count, "stock count begun", f"Count of {counted(len(chosen), 'item')} at {place.name} begun")
        return count


def _chosen(choice: CountChoice) -> sa.Select[int]:
    # A cut key is no thing on a shelf, its blank is.
    there = sa.or_(_IS_KEPT, _IS_OWN, Item.kind == ItemKind.UNPINNED) if choice.is_first else _IS_KEPT
    rows = sa.select(Item.id).where(_ON_SHELVES, there)
    if choice.bin:
        rows = rows.where(Item.bin.ilike(code_pattern(choice.bin, is_start=True), escape="\\"))
    if choice.maker_id is not None:
        rows = rows.where(Item.maker_id == choice.maker_id)
    if choice.kind is not None:
        rows = rows.where(Item.kind == choice.kind)
    for word in choice.words.split():
        like = code_pattern(word)
        rows = rows.where(sa.or_(Item.code.ilike(like, escape="\\"), Item.words.ilike(like, escape="\\")))
    if choice.not_since is not None:
        since = datetime.combine(choice.not_since, time()).astimezone()
        rows = rows.where(
            ~sa.exists().where(
                StockMovement.item_id == Item.id,
                StockMovement.place_id == choice.place_id,
                StockMovement.kind == MovementKind.COUNTED,
                StockMovement.at >= since,
            )
        )
    return rows.order_by(Item.id)


def _say_choice(session: Session, choice: CountChoice) -> str:
    maker = session.scalar(sa.select(Maker.name).where(Maker.id == choice.maker_id)) if choice.maker_id else ""
    since = f"not counted since {choice.not_since:%Y-%m-%d}" if choice.not_since else ""
    kind = choice.kind.value if choice.kind else ""
    parts = [f"bin {choice.bin}" if choice.bin else "", maker, kind, choice.words, since]
    return ", ".join(filter(None, parts))[:200] or ("first count" if choice.is_first else "all items")


def get_stock_count(session: Session, count_id: int) -> StockCount:
    """A count; NotFound when there is none."""
    return get_row(session, StockCount, count_id, "count of stock", joinedload(StockCount.place))


def list_stock_counts(session: Session, page: int = 1) -> Page[tuple[StockCount, int, int]]:
    """Counts, the newest first, each with how many of its items were counted, of how many."""
    rows = (
        sa.select(StockCount, sa.func.count(StockCountLine.found), sa.func.count(StockCountLine.id))
        .join(StockCountLine, StockCountLine.count_id == StockCount.id)
        .options(joinedload(StockCount.place), joinedload(StockCount.started_by))
        .group_by(StockCount.id)
        .order_by(StockCount.id.desc())
    )

    def take(shown: sa.Select[*tuple[Any, ...]]) -> list[tuple[StockCount, int, int]]:
        return [(count, found, all_) for count, found, all_ in session.execute(shown)]

    return page_of(session, rows, page, 50, take=take, counted=sa.select(StockCount.id))


def count_rows(
    session: Session, count: StockCount, *, is_found: bool | None = None, page: int = 1, size: int = 25
) -> Page[CountRow]:
    """The items of a count by bin and number; is_found: only those that were counted, or only those that were not."""
    rows = sa.select(StockCountLine).where(StockCountLine.count_id == count.id)
    if is_found is not None:
        rows = rows.where(StockCountLine.found.is_not(None) if is_found else StockCountLine.found.is_(None))
    return page_of(
        *(session, _in_order(rows), page, size),
        take=lambda shown: _rows_of(session, count, session.scalars(shown).all()),
        counted=rows,
    )


def rows_of_items(session: Session, count: StockCount, item_ids: Sequence[int]) -> tuple[CountRow, ...]:
    """Those of the items that belong to the count."""
    rows = sa.select(StockCountLine).where(StockCountLine.count_id == count.id, StockCountLine.item_id.in_(item_ids))
    return tuple(_rows_of(session, count, session.scalars(_in_order(rows)).all()))


def whole_count(session: Session, count: StockCount) -> Iterator[Item]:
    """Every item of a count by bin and number, for its sheet."""
    rows = (
        sa.select(Item)
        .join(StockCountLine, StockCountLine.item_id == Item.id)
        .where(StockCountLine.count_id == count.id)
        .options(WITH_MAKER)
        .order_by(Item.bin, Item.code, Item.id)
    )
    return iter(session.scalars(rows).all())


def _in_order(rows: sa.Select[StockCountLine]) -> sa.Select[StockCountLine]:
    return (
        rows.join(Item, Item.id == StockCountLine.item_id)
        .options(joinedload(StockCountLine.item).joinedload(Item.maker).load_only(Maker.id, Maker.name))
        .order_by(Item.bin, Item.code, Item.id)
    )


def _rows_of(session: Session, count: StockCount, lines: Sequence[StockCountLine]) -> list[CountRow]:
    found: list[CountRow] = []
    for some in in_steps(lines):
        items = [line.item_id for line in some]
        sums = {item: figures for item, *figures in session.execute(_figures(count, items))}
        moved = _moved_since(session, count, items)
        for line in some:
            book, now, reserved, movements = sums.get(line.item_id, (0, 0, 0, 0))
            found.append(CountRow(line, book, now, reserved, bool(movements), moved.get(line.item_id, "")))
    return found


def _figures(count: StockCount, items: Sequence[int]) -> sa.Select[int, int, int, int, int]:
    """Of each item: on hand at its line's mark and now, reserved now, and how many movements it has."""
    is_over = StockMovement.id <= StockCountLine.mark_id
    return (
        sa.select(
            StockMovement.item_id,
            sa.cast(sa.func.sum(sa.case((is_over, StockMovement.on_hand), else_=0)), sa.Integer),
            sa.cast(sa.func.sum(StockMovement.on_hand), sa.Integer),
            sa.cast(sa.func.sum(StockMovement.reserved), sa.Integer),
            sa.func.count(),
        )
        .join(
            StockCountLine,
            sa.and_(StockCountLine.item_id == StockMovement.item_id, StockCountLine.count_id == count.id),
        )
        .where(StockMovement.item_id.in_(items), StockMovement.place_id == count.place_id)
        .group_by(StockMovement.item_id)
    )


def _moved_since(session: Session, count: StockCount, items: Sequence[int]) -> dict[int, str]:
    """Item → what moved at the place since the count began, such as "2 sold, 10 received"."""
    rows = sa.select(StockMovement.item_id, StockMovement.kind, sa.func.sum(StockMovement.on_hand)).where(
        StockMovement.item_id.in_(items),
        StockMovement.place_id == count.place_id,
        StockMovement.id > count.mark_id,
        StockMovement.on_hand != 0,
    )
    if count.ended_at is not None:
        return {}
    told: dict[int, list[str]] = {}
    for item, kind, amount in session.execute(
        rows.group_by(StockMovement.item_id, StockMovement.kind).order_by(StockMovement.item_id, StockMovement.kind)
    ):
        told.setdefault(item, []).append(f"{abs(int(amount)):,} {kind.value}")
    return {item: ", ".join(words) for item, words in told.items()}


def enter_counts(work: Work, count_id: int, found: Mapping[int, Found]) -> int:
    """Write down what was found of items by their ids; how many. All that can be is written; Problems names the rest,
    each by `item-ID`: no whole number to a million, no item of this count, or moved since the count began.
    """
    work.require(Role.COUNTER, Role.BENCH)
    session, problems, written = work.session, list[Problem](), 0
    with transaction(session):
        count = _going_on(session, count_id)
        rows = {one.item.id: one for one in rows_of_items(session, count, list(found))}
        newest = newest_movement(session)
        for item_id, one in found.items():
            row = rows.get(item_id)
            if row is None:
                problems.append(Problem(f"item-{item_id}", "This item is not part of the count: add it first."))
            elif not 0 <= one.count <= MOST_FOUND:
                problems.append(Problem(f"item-{item_id}", f"Enter a whole number from 0 to {MOST_FOUND:,}."))
            elif row.moved and one.since is Since.UNSAID:
                since = f"{count.started_at.astimezone():%Y-%m-%d %H:%M}"
                problems.append(
                    Problem(
                        f"item-{item_id}",
                        f"{name_item(row.item)}: {row.moved} since the count began ({since}). "
                        "Say whether you counted before that or after.",
                    )
                )
            else:
                line = row.line
                line.found, line.found_at, line.found_by_id = one.count, work.now, work.actor.user_id
                line.mark_id = newest if one.since is Since.AFTER else count.mark_id
                written += 1
    if problems:
        raise Problems(problems)
    return written


def add_to_count(work: Work, count_id: int, item_id: int) -> None:
    """Make an item part of a count that goes on; nothing happens where it is."""
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        count = _going_on(work.session, count_id)
        item = get_row(work.session, Item, item_id, "item of stock")
        if item.kind is ItemKind.PIN:
            raise LedgerError("code", "Pins are counted by their size: under Pins.")
        if not rows_of_items(work.session, count, [item.id]):
            work.session.add(StockCountLine(count_id=count.id, item_id=item.id, mark_id=count.mark_id))


def plan_count(session: Session, count: StockCount) -> CountPlan:
    """What saving a count would change, with what it costs."""
    lines = session.scalar(
        sa.select(sa.func.count()).select_from(StockCountLine).where(StockCountLine.count_id == count.id)
    )
    rows = _in_order(
        sa.select(StockCountLine).where(StockCountLine.count_id == count.id, StockCountLine.found.is_not(None))
    )
    done = _rows_of(session, count, session.scalars(rows).all())
    told = [(one.item.id, one.line.found, one.difference) for one in done]
    seal = hashlib.sha256(repr(told).encode()).hexdigest()[:32]
    return CountPlan(count, len(done), lines or 0, tuple(one for one in done if one.difference), seal)


def save_count(work: Work, count_id: int, seal: str) -> CountPlan:
    """Correct the sums by what was found; items that nobody counted stay as they are.

    What was reserved and is not there any more is released, the newest reservation first. LedgerError where nothing
    was counted, or more was counted since the differences were shown; Problems on `item-ID` where an item must be
    counted again, since more of it left than was found.
    """
    work.require(Role.COUNTER, Role.BENCH)
    session = work.session
    with transaction(session):
        count = _going_on(session, count_id)
        plan = plan_count(session, count)
        if not plan.counted:
            raise LedgerError("seal", "Nothing is counted yet.")
        if plan.seal != seal:
            raise LedgerError("seal", "Something was counted since these differences were shown: look at them again.")
        rows = [*_rows_of(session, count, _counted_lines(session, count))]
        problems = [
            Problem(
                f"item-{one.item.id}",
                f"{name_item(one.item)}: {one.line.found:,} counted, but {one.book - one.now:,} left since then. "
                "Count it again.",
            )
            for one in rows
            if one.now + one.difference < 0
        ]
        if problems:
            raise Problems(problems)
        why = f"count {count.id}"
        for one in rows:
            over = one.reserved - (one.now + one.difference)
            if over > 0:
                release_newest(work, one.item, count.place, over, f"{why} found fewer than were reserved")
        moves = [
            {
                "item_id": one.item.id,
                "place_id": count.place_id,
                "kind": MovementKind.COUNTED,
                "on_hand": one.difference,
                "reserved": 0,
                "cost_cents": one.item.cost_cents,
                "at": work.now,
                "by_id": work.actor.user_id,
                "why": why,
            }
            for one in rows
        ]
        for some in in_steps(moves):
            session.execute(sa.insert(StockMovement), some)
        mark_counted(session)
        waiting = set(session.scalars(sa.select(Need.item_id).where(Need.ended_at.is_(None))))
        for one in rows:
            one.line.difference = one.difference
            if one.difference > 0 and (one.item.id in waiting or one.item.kind is ItemKind.UNPINNED):
                reserve_waiting(work, one.item)
        count.ended_at, count.ended_by_id, count.is_saved = work.now, work.actor.user_id, True
        said = (
            f"{counted(plan.counted, 'item')} counted at {count.place.name}, "
            f"{counted(len(plan.differences), 'difference')}"
        )
        _record(work, count, "stock counted", said)
        return plan


def _counted_lines(session: Session, count: StockCount) -> Sequence[StockCountLine]:
    return session.scalars(
        _in_order(
            sa.select(StockCountLine).where(StockCountLine.count_id == count.id, StockCountLine.found.is_not(None))
        )
    ).all()


def stop_stock_count(work: Work, count_id: int) -> None:
    """End a count without a change of any sum."""
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        count = _going_on(work.session, count_id)
        count.ended_at, count.ended_by_id = work.now, work.actor.user_id
        _record(work, count, "stock count stopped", f"Count at {count.place.name} stopped; no sum was changed")


def release_newest(work: Work, item: Item, place: StockPlace, number: int, why: str) -> None:
    """Let go of so many reserved pieces that are not there, the newest reservation first, inside the caller's
    transaction.
    """
    lock_item(work.session, item.id)
    held = sa.cast(sa.func.sum(StockMovement.reserved), sa.Integer)
    rows = (
        sa.select(StockMovement.need_id, StockMovement.job_id, held)
        .where(StockMovement.item_id == item.id, StockMovement.place_id == place.id)
        .group_by(StockMovement.need_id, StockMovement.job_id)
        .having(held > 0)
        .order_by(sa.func.max(StockMovement.id).desc())
    )
    for need_id, job_id, reserved in work.session.execute(rows).all():
        some = min(number, reserved)
        if some > 0:
            move_stock(
                work,
                item,
                MovementKind.RELEASED,
                reserved=-some,
                why=why,
                place=place,
                job_id=job_id,
                need_id=need_id,
            )
            number -= some


def _going_on(session: Session, count_id: int) -> StockCount:
    count = get_stock_count(session, count_id)
    if count.ended_at is not None:
        raise LedgerError("count", "This count is over: begin another.")
    return count


def _record(work: Work, count: StockCount, kind: str, summary: str) -> None:
    record(work, kind, f"stock count {count.id}", summary)


def count_table(session: Session, count: StockCount) -> Iterator[Sequence[str]]:
    """A count's sheet as rows of text, to be filled in and sent back: `read_count_file` reads it."""
    yield _HEAD
    for item in whole_count(session, count):
        yield (str(item.id), item.bin, item.maker.name if item.maker else "", item.code, item.words, "", "")


_HEAD = ("row", "bin", "maker", "number", "what", "counted", "before or after")


def read_count_file(name: str, content: bytes) -> dict[int, Found]:
    """What a sheet that came back says was found, by the item's row; rows without a count are passed over.

    Problems by row and column; `before or after` says of an item that moved when it was counted.
    """
    head, *table = list(table_rows(name, content)) or [()]
    names = [cell.strip().casefold() for cell in head]
    if problems := head_problems([*filter(None, names)], _HEAD, ("row",)):
        raise Problems(problems)
    found: dict[int, Found] = {}
    for number, cells in enumerate(table, start=2):
        said = dict(zip(names, (unguarded(cell.strip()) for cell in cells), strict=False))
        if not said.get("counted"):
            continue
        read: dict[str, Any] = {}
        for title, reader in _READERS.items():
            try:
                read[title] = reader(said.get(title, ""), title)
            except BitternError as error:
                problems.append(Problem(f"row {number}, {title}", error.message))
        item = read.get("row")
        if item in found:
            problems.append(Problem(f"row {number}, row", f"Item {item} stands twice."))
        if len(read) == len(_READERS):
            found[read["row"]] = Found(read["counted"], read["before or after"])
    if not found and not problems:
        problems.append(Problem("file", "No row of this file says how many were counted."))
    if problems:
        raise Problems(problems)
    return found


def _read_since(text: str, field: str) -> Since:
    if text.lower() not in ("", "before", "after"):
        raise BitternError(field, "Write before or after: when was it counted, of an item that moved?")
    return Since(text.lower())


_READERS: Mapping[str, Callable[[str, str], Any]] = {
    "row": partial(cell_whole, least=1),
    "counted": partial(cell_whole, most=MOST_FOUND),
    "before or after": _read_since,
}
