"""What is free of the items that some work takes, and when the rest of it can be here; nothing is written.

Free is what lies on the shelf and is reserved for nobody, and what is on its way from makers and is for no job. So
whoever takes of it breaks no earlier promise. What is neither is ordered anew, and comes by the item's lead time.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.catalog.price_queries import entered_bench_terms
from app.ledger.stock.movements import Quantity, quantities
from app.ledger.stock.on_order import open_lines
from app.ledger.tables import SHELF, Item, ItemKind, Maker
from app.pricing import BenchTerms, add_working_days, lead_time_of, show_day
from app.validation import counted

NO_DAY = date.max


@dataclass(frozen=True, slots=True)
class Wanted:
    """So many pieces of one item.

    maker_id None: goods of the price book. stand_in: the type of cylinder of which one without pins does as well, ""
    where none does. is_keyed: whether the shop keys it, so that only what is on record counts as being there; of
    anything else that nobody ever counted, what the catalog calls stocked is.
    """

    code: str
    quantity: int
    maker_id: int | None = None
    words: str = ""
    stand_in: str = ""
    is_keyed: bool = False
    finish: str = ""
    is_blank: bool = False


@dataclass(frozen=True, slots=True)
class Coming:
    """Pieces that an order which is on its way brings; on: NO_DAY where nobody knows when."""

    line_id: int
    quantity: int
    on: date

    @property
    def day(self) -> date | None:
        """The day, None where nobody knows it."""
        return None if self.on == NO_DAY else self.on


@dataclass(frozen=True, slots=True)
class Drawn:
    """Where the pieces come from: of the item itself, of cylinders without pins in its place, by orders on their way;
    the rest is to be ordered and here on `ordered_here_on` (None: it cannot be had, or nobody knows when).

    uncounted: so many are there as far as anybody knows, and no record is kept of them.
    """

    wanted: Wanted
    own: int = 0
    unpinned: int = 0
    uncounted: int = 0
    coming: tuple[Coming, ...] = ()
    to_order: int = 0
    ordered_here_on: date | None = None

    @property
    def on_shelf(self) -> int:
        """How many are there."""
        return self.own + self.unpinned + self.uncounted

    @property
    def on_order(self) -> int:
        """How many are on their way already."""
        return sum(one.quantity for one in self.coming)

    @property
    def lacking(self) -> int:
        """How many are not there."""
        return self.on_order + self.to_order

    def here_on(self, today: date) -> date | None:
        """When the last of them is here; None where it cannot be had, or nobody knows."""
        if self.to_order and self.ordered_here_on is None:
            return None
        days = [one.on for one in self.coming] + [self.ordered_here_on] * bool(self.to_order)
        return max((day for day in days if day is not None), default=today)


@dataclass(frozen=True, slots=True)
class _Listed:
    """An item, as far as its leads tell and whether a maker's list has it as stocked."""

    id: int
    is_stocked: bool
    lead_days: int | None
    finish: str


class FreeStock:
    """What is free on a day of the items that are wanted, less what was taken of it by `take`.

    terms: the bench's, None where it has none; their figures count where nobody counted cylinders without pins yet.
    """

    def __init__(self, session: Session, today: date, terms: BenchTerms | None, wanted: Iterable[Wanted]) -> None:
        wanted = list(wanted)
        self._today = today
        self._terms = terms
        self._items = _items_of(session, wanted)
        there = quantities(session, [one.id for one in self._items.values()], SHELF)
        self._free = {id_: one.free for id_, one in there.items() if one.is_counted}
        makers = sa.select(Maker.id, Maker.finish_leads, Maker.lead_days)
        makers = makers.where(Maker.id.in_({one.maker_id for one in wanted if one.maker_id is not None}))
        self._leads = {id_: (by_finish, of_maker) for id_, by_finish, of_maker in session.execute(makers)}
        self._by_terms = {sort.value: count for sort, count in terms.uncombinated_on_hand.items()} if terms else {}
        self._coming: dict[int, list[Coming]] = {}
        for line in open_lines(session, [one.id for one in self._items.values()]):
            if line.free and line.expected_on is not None and line.expected_on >= today:
                self._coming.setdefault(line.item_id, []).append(Coming(line.line_id, line.free, line.expected_on))

    def copy(self) -> "FreeStock":
        """The same, to be taken of apart."""
        other = object.__new__(FreeStock)
        other.__dict__ |= self.__dict__
        other._free, other._by_terms, other._coming = dict(self._free), dict(self._by_terms), dict(self._coming)
        return other

    def unpinned(self, cylinder_type: str) -> int:
        """How many cylinders of a type without pins are free."""
        item = self._items.get(_unpinned_key(cylinder_type))
        return self._free.get(item.id, 0) if item and item.id in self._free else self._by_terms.get(cylinder_type, 0)

    def take(self, wanted: Wanted) -> Drawn:
        """Where the pieces come from: the shelf first, then orders that bring them no later than a new one would."""
        left = wanted.quantity
        item = self._items.get((wanted.maker_id, wanted.code))
        is_counted = item is not None and item.id in self._free
        own = self._draw(item, left)
        left -= own
        # As long as nobody counts it: cylinders that the catalog calls stocked, and all that is no cylinder.
        is_stocked = not wanted.stand_in or (item is not None and item.is_stocked)
        sort = wanted.stand_in if wanted.is_keyed or (is_stocked and not is_counted) else ""
        pool = self._items.get(_unpinned_key(sort)) if sort else None
        unpinned = self._draw_unpinned(sort, pool, left)
        left -= unpinned
        is_known = is_counted or wanted.is_keyed or (sort != "" and (sort in self._by_terms or self._has(pool)))
        uncounted = left if is_stocked and not is_known else 0
        left -= uncounted
        lead = self._lead(wanted, item)
        coming = self._draw_coming([one for one in (item, pool if wanted.is_keyed else None) if one], left, lead)
        left -= sum(one.quantity for one in coming)
        return Drawn(wanted, own, unpinned, uncounted, coming, left, lead if left else None)

    def _has(self, item: _Listed | None) -> bool:
        return item is not None and item.id in self._free

    def _draw(self, item: _Listed | None, most: int) -> int:
        if item is None or item.id not in self._free:
            return 0
        drawn = min(most, max(0, self._free[item.id]))
        self._free[item.id] -= drawn
        return drawn

    def _draw_unpinned(self, sort: str, pool: _Listed | None, most: int) -> int:
        if self._has(pool):
            return self._draw(pool, most)
        drawn = min(most, self._by_terms.get(sort, 0))
        if drawn:
            self._by_terms[sort] -= drawn
        return drawn

    def _draw_coming(self, items: Sequence[_Listed], most: int, lead: date | None) -> tuple[Coming, ...]:
        """What orders on their way bring. One that is late, or has no day, is trusted as little as a new one."""
        drawn = []
        lines = [(one, item.id) for item in items for one in self._coming.get(item.id, [])]
        for one, item_id in sorted(lines, key=lambda line: (line[0].on, line[0].line_id)):
            count = min(most, one.quantity) if lead is None or one.on <= lead else 0
            if count:
                drawn.append(replace(one, quantity=count))
                most -= count
                rest = (
                    replace(each, quantity=each.quantity - count * (each is one)) for each in self._coming[item_id]
                )
                self._coming[item_id] = list(rest)
        return tuple(drawn)

    def _lead(self, wanted: Wanted, item: _Listed | None) -> date | None:
        """When a piece that is ordered today is here; None where nobody knows."""
        finish = item.finish if item is not None else wanted.finish
        by_finish, of_maker = self._leads.get(wanted.maker_id or 0, ({}, None))
        days = days_to_come(self._terms, item.lead_days if item is not None else None, finish, by_finish, of_maker)
        closed = self._terms.closed_days if self._terms is not None else frozenset[date]()
        return None if days is None else add_working_days(self._today, days, closed)


def days_to_come(
    terms: BenchTerms | None, of_item: int | None, finish: str, by_finish: Mapping[str, int], of_maker: int | None
) -> int | None:
    """Working days from an order to its goods: the item's own, else its finish's or its maker's, else what the
    bench's terms say; None where nobody knows.
    """
    days = lead_time_of(of_item, finish, by_finish, of_maker)
    return terms.uncombinated_lead_days if days is None and terms is not None else days


def unpinned_on_shelf(session: Session, day: date) -> dict[str, Quantity]:
    """Type → cylinders without pins that lie on the shelf; of one that nobody counted, what the bench's terms say."""
    terms = entered_bench_terms(session, day)
    by_terms = {sort.value: Quantity(count) for sort, count in terms.uncombinated_on_hand.items()} if terms else {}
    rows = sa.select(Item.id, Item.code).where(Item.kind == ItemKind.UNPINNED)
    types = dict(session.execute(rows.order_by(Item.code)).all())
    there = quantities(session, types, SHELF)
    return by_terms | {sort: there[item_id] for item_id, sort in types.items() if there[item_id].is_counted}


_Key = tuple[int | None, str]


def _unpinned_key(cylinder_type: str) -> _Key:
    return (0, cylinder_type)  # no maker has this id


def _items_of(session: Session, wanted: Sequence[Wanted]) -> dict[_Key, _Listed]:
    codes = {one.code for one in wanted} | {one.stand_in for one in wanted}
    rows = sa.select(
        Item.id, Item.maker_id, Item.kind, Item.code, Item.is_stocked, Item.lead_days, Item.finish
    ).where(Item.code.in_(codes - {""}), Item.kind != ItemKind.PIN)
    found: dict[_Key, _Listed] = {}
    for id_, maker_id, kind, code, is_stocked, lead_days, finish in session.execute(rows.order_by(Item.id)):
        key = _unpinned_key(code) if kind is ItemKind.UNPINNED else (maker_id, code)
        found.setdefault(key, _Listed(id_, is_stocked, lead_days, finish))
    return found


def supply_words(taken: Sequence[Drawn], of: str = "") -> str:
    """What is short and when it comes, a sentence; "" where nothing is. of: what all of it is, "46 cylinders".

    >>> one = Drawn(Wanted("A1", 46), 30, 0, 0, (Coming(7, 6, date(2026, 3, 4)),), 10, date(2026, 3, 10))
    >>> supply_words([one]).split(": ")[0]
    '16 of 46 cylinders are not on the shelf'
    >>> supply_words([one]).split(": ")[1]
    '6 on order, here on Wednesday 4 March 2026; 10 to order, here on Tuesday 10 March 2026.'
    """
    lacking = sum(one.lacking for one in taken)
    if not lacking:
        return ""
    days: Counter[tuple[date, str]] = Counter()
    never = 0
    for one in taken:
        for each in one.coming:
            days[each.on, "on order"] += each.quantity
        if one.to_order and one.ordered_here_on is not None:
            days[one.ordered_here_on, "to order"] += one.to_order
        elif one.to_order:
            never += one.to_order
    parts = [f"{count:,} {how}, here on {show_day(day)}" for (day, how), count in sorted(days.items())]
    parts += [f"{never:,} to order, and nobody knows when they can be here"] if never else []
    of = of or counted(sum(one.wanted.quantity for one in taken), "cylinder")
    return f"{lacking:,} of {of} {'is' if lacking == 1 else 'are'} not on the shelf: {'; '.join(parts)}."
