"""What the lines of a request take of the shelf and of orders on their way, one after the other.

Quote, plan, promise and acceptance ask here, so that all of them take in one order: what is keyed here by its groups,
of a group in two deliveries the first one first; then what is sold as it is, line by line.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache, partial

import sqlalchemy as sa

from app.fitting import words
from app.ledger.catalog.maker_queries import IN_CATALOG, blank_for, maker_tables
from app.ledger.catalog.price_queries import entered_bench_terms
from app.ledger.quoting.key_lines import OWN, control_named, line_named
from app.ledger.quoting.plan import Plan
from app.ledger.quoting.request import LineRequest, QuoteRequest
from app.ledger.quoting.snapshot import KeyingChoice
from app.ledger.stock.free_stock import Drawn, FreeStock, Wanted, supply_words
from app.ledger.stock.needs import LineWant
from app.ledger.store.work import Work
from app.ledger.tables import Item, Keyset, KeySystem, LineKind
from app.pricing import Supply


@dataclass(frozen=True, slots=True)
class LineSupply:
    """Where a line's pieces come from, and the blanks of its keys; None where it takes none."""

    goods: Drawn | None = None
    blanks: Drawn | None = None

    @property
    def taken(self) -> tuple[Drawn, ...]:
        """What there is of the two."""
        return tuple(one for one in (self.goods, self.blanks) if one is not None)

    def here_on(self, today: date) -> date | None:
        """When all of it is here; None where that is not known."""
        return latest((one.here_on(today) for one in self.taken), today)

    @property
    def words(self) -> str:
        """What of it is short and when it comes; "" where nothing is."""
        return _words([self])


def latest(days: Iterable[date | None], today: date) -> date | None:
    """The last of the days, today where there are none; None where one of them is not known."""
    last = today
    for day in days:
        if day is None:
            return None
        last = max(last, day)
    return last


def as_supply(lines: Collection[LineSupply], today: date) -> Supply:
    """What the bench waits for before it begins such lines."""
    lacking = sum(one.goods.lacking for one in lines if one.goods)
    return Supply(lacking, latest((one.here_on(today) for one in lines), today), _words(lines))


def _words(lines: Collection[LineSupply]) -> str:
    goods = [one.goods for one in lines if one.goods]
    blanks = [one.blanks for one in lines if one.blanks]
    of = ""
    if goods and not goods[0].wanted.stand_in:
        of = f"{sum(one.wanted.quantity for one in goods):,} {goods[0].wanted.words or goods[0].wanted.code}"
    keys = f"{sum(one.wanted.quantity for one in blanks):,} key blanks"
    return " ".join(filter(None, (supply_words(goods, of), supply_words(blanks, keys))))


class RequestSupply:
    """The shelf, and what is on its way, as the lines of a request find it."""

    def __init__(self, work: Work, ask: QuoteRequest, lines: Sequence[LineRequest | None]) -> None:
        """lines: the request's, None where one is not understood."""
        session = work.session
        self._session = session
        self._today = work.today
        self._ask = ask
        self._lines = {number: line for number, line in enumerate(lines, start=1) if line is not None}
        self._tables = maker_tables(session)
        self._blank_of = cache(partial(blank_for, session))
        codes = {line.price_code for line in self._lines.values() if line.price_code}
        rows = sa.select(Item.code, Item.maker_id).where(Item.code.in_(codes), IN_CATALOG)
        self._maker_of = dict(session.execute(rows.order_by(Item.maker_id.desc())).all()) if codes else {}
        self._wanted = {number: self._wants(line) for number, line in self._lines.items()}
        every = [one for wanted in self._wanted.values() for one in wanted if one is not None]
        self._free = FreeStock(session, work.today, entered_bench_terms(session, work.today), every)

    def copy(self) -> "RequestSupply":
        """The same, to be taken of apart."""
        other = object.__new__(RequestSupply)
        other.__dict__ |= self.__dict__ | {"_free": self._free.copy()}
        return other

    def would_take(self, counts: Mapping[int, int], then: Mapping[int, int] | None = None) -> tuple[Supply, Supply]:
        """What is lacking for so many of each line, keyed here, and of those that come `then`. Nothing is taken."""
        free = self._free.copy()
        first, second = (
            [self._take(free, number, count) for number, count in part.items()] for part in (counts, then or {})
        )
        return as_supply(first, self._today), as_supply(second, self._today)

    def take(self, numbers: Iterable[int]) -> None:
        """Take what these lines do when they are keyed here, so that who comes next finds less."""
        for number in numbers:
            self._take(self._free, number)

    def take_all(self, keying: Sequence[KeyingChoice]) -> dict[int, LineSupply]:
        """What every line takes, by its number, keyed as decided; this is left as it was."""
        free = self._free.copy()
        found: dict[int, LineSupply] = {}
        away = {number for one in keying if one.choice == "factory" for number in one.lines}
        for number, choice in self._in_turn(keying):
            if choice is not None and choice.choice == "factory":
                found[number] = self._from_factory(number, choice)
            elif self._lines[number].kind is LineKind.KEYS and self._is_cut_away(number, away):
                found[number] = LineSupply()
            else:
                found[number] = self._take(free, number)
        return found

    def _is_cut_away(self, number: int, away: Collection[int]) -> bool:
        """Whether a factory, which keys the lines `away`, cuts the keys that a line of keys sells."""
        symbol = self._lines[number].symbol
        named = line_named(symbol) or control_named(symbol)
        keyed = {one for one, line in self._lines.items() if line.is_keyed}
        return named in away or (symbol != OWN and bool(keyed) and keyed <= {*away})

    def wants(self, keying: Sequence[KeyingChoice], plan: Plan, needed_on: date | None) -> list[LineWant]:
        """What an accepted job takes, in the order in which it is taken; needed_on: of lines without a day."""
        wants = []
        for number, choice in self._in_turn(keying):
            goods, _ = self._wanted[number]
            if goods is not None:
                keyed_at = choice.choice if choice is not None else ""
                wants.append(LineWant(number, goods, keyed_at, self._lines[number].need_by or needed_on))
        blanks = [self._blanks(one.keyway, one.chambers, one.count) for one in plan.blanks]
        return wants + [LineWant(None, one, "", needed_on) for one in blanks if one is not None]

    def _blanks(self, keyways: tuple[str, ...], chambers: int, count: int) -> Wanted | None:
        """The blanks for so many keys that enter these keyways; None where no maker's tables name one."""
        found = self._blank_of(keyways, chambers)
        if found is None or not count:
            return None
        return Wanted(found[1], count, found[0], f"key blanks, keyway {', '.join(keyways)}", is_blank=True)

    def _in_turn(self, keying: Sequence[KeyingChoice]) -> list[tuple[int, KeyingChoice | None]]:
        ordered = [*keying]
        for place, choice in enumerate(keying[:-1]):
            if choice.in_two_deliveries and ordered[place] is choice:  # the bulk; the part after it is keyed first
                ordered[place : place + 2] = [ordered[place + 1], choice]
        keyed = [(number, choice) for choice in ordered for number in choice.lines if number in self._lines]
        named = {number for number, _ in keyed}
        return [*keyed, *((number, None) for number in self._lines if number not in named)]

    def _take(self, free: FreeStock, number: int, count: int | None = None) -> LineSupply:
        goods, blanks = self._wanted[number]
        line = self._lines[number]
        if count is not None and count != line.quantity:
            goods, blanks = self._wants(replace(line, quantity=count, keys_in_all=None))
        return LineSupply(free.take(goods) if goods else None, free.take(blanks) if blanks else None)

    def _from_factory(self, number: int, choice: KeyingChoice) -> LineSupply:
        goods, _ = self._wanted[number]
        if goods is None:
            return LineSupply()
        return LineSupply(Drawn(goods, to_order=goods.quantity, ordered_here_on=choice.ready_on))

    def _wants(self, line: LineRequest) -> tuple[Wanted | None, Wanted | None]:
        said = line.attributes
        goods = blanks = None
        if line.kind in (LineKind.CYLINDER, LineKind.PART) and said is not None:
            goods = Wanted(
                line.part_number,
                line.quantity,
                self._maker_id(line.maker_code),
                words(said),
                stand_in=said.type,
                is_keyed=line.is_keyed,
                finish=said.finish or "",
            )
        elif line.kind is LineKind.HARDWARE and (code := line.part_number or line.price_code):
            maker = self._maker_id(line.maker_code) if line.part_number else self._maker_of.get(code)
            goods = Wanted(code, line.quantity, maker, code)
        if line.is_keyed and said is not None:
            blanks = self._blanks((said.keyway or "",), said.chambers or 0, line.keys)
        elif line.kind is LineKind.KEYS:
            keyway, chambers = self._cut_on(line)
            blanks = self._blanks((keyway,), chambers, line.quantity)
        return goods, blanks

    def _maker_id(self, code: str) -> int | None:
        return self._tables[code].id if code in self._tables else None

    def _cut_on(self, line: LineRequest) -> tuple[str, int]:
        """The keyway, and the chambers, of the keys that a line of keys sells; "" where nobody can tell."""
        typed = line.attributes.keyway if line.attributes else ""
        if typed or line.symbol == OWN:
            return typed or "", 0
        named = line_named(line.symbol) or control_named(line.symbol)
        keyed = [one.attributes for one in self._lines.values() if one.is_keyed and one.attributes]
        of = self._lines[named].attributes if named in self._lines else None
        if of is not None:
            return of.keyway or "", of.chambers or 0
        mine = sa.select(KeySystem.keyway, KeySystem.chambers).where(KeySystem.customer_id == self._ask.customer_id)
        having = mine.join(Keyset, Keyset.system_id == KeySystem.id).where(Keyset.symbol == line.symbol)
        existing = self._ask.system.existing_id if self._ask.system else None
        rows = mine.where(KeySystem.id == existing) if existing else having.order_by(KeySystem.id)
        if row := self._session.execute(rows.limit(1)).first():
            return row[0], row[1]
        return (keyed[0].keyway or "", keyed[0].chambers or 0) if keyed else ("", 0)
