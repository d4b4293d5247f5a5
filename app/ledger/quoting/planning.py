"""Make a plan of what accepting a request does, from the house as it stands; nothing is saved, no seal is opened."""

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import sqlalchemy as sa

from app.errors import Problem
from app.keying import SymbolLevel, change_symbol, make_symbols, operating_chains, read_symbol, single_symbol
from app.ledger.keysystems.control import CONTROL_SYMBOL, has_control_keys
from app.ledger.keysystems.keysets import number_of
from app.ledger.keysystems.system_queries import operators_of
from app.ledger.keysystems.systems import single_keyed_name
from app.ledger.quoting.allocation import records_for, set_sizes
from app.ledger.quoting.key_lines import OWN, line_named
from app.ledger.quoting.plan import KeysetOnLine, Plan, PlannedKeys, PlannedLine
from app.ledger.quoting.promises import bench_today
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest
from app.ledger.quoting.snapshot import KeyingChoice, QuoteSnapshot
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Keyset, KeySystem, Keyway, Level, LineKind, RecordsHolder, SpecRow
from app.pricing import CylinderType, KeyingKind

_MOST_NAMED = 20


def make_plan(
    work: Work,
    ask: QuoteRequest,
    keying: Sequence[KeyingChoice],
    unstocked: Collection[int] = (),
    refused: Collection[int] = (),
) -> tuple[Plan, list[Problem]]:
    """What accepting a request today does, keyed as decided, and what has to be said of its lines before that.

    unstocked, refused: the numbers of lines that are on no shelf, and of those that have no part in the plan.
    """
    planner = _Planner(work, ask, keying)
    numbered = [(number, line) for number, line in enumerate(ask.lines, start=1) if number not in refused]
    lines = [planner.plan_line(number, line, unstocked) for number, line in numbered]
    plan = Plan(
        lines=tuple(line for line in lines if line is not None),
        keys=planner.plan_keys(line for _, line in numbered if line.kind is LineKind.KEYS),
        begins=tuple(book.name for book in planner.books.values() if book.is_new and book.levels > 1),
    )
    return plan, planner.questions


def planned_today(work: Work, quote: QuoteSnapshot) -> Plan:
    """What accepting a quote does today; its own plan is of the day of issue."""
    plan, _ = make_plan(work, QuoteRequest.from_json(quote.ask), quote.keying, quote.plan.unstocked)
    return plan


def _which_master(book: "_Book", said: str) -> str:
    named = ", ".join(book.masters[:_MOST_NAMED]) + (" …" if len(book.masters) > _MOST_NAMED else "")
    if said:
        return f"{book.name} is to have {named}: name one of these, or enter how many masters it gets."
    return f"{book.name} has several masters: say under which this goes, {named}."


@dataclass(slots=True)
class _Book:
    """A key system as far as symbols go. above: a keyset's symbol → the masters over it, nearest first; last: the
    highest number under each master, "" of the singles. wants_control: whether its cores still need one.
    """

    name: str
    levels: int
    is_new: bool
    above: dict[str, tuple[str, ...]]
    last: Counter[str]
    masters: list[str]
    wants_control: bool = False

    def next_symbols(self, master: str, count: int) -> list[str]:
        """The next symbols under a master, "" for singles."""
        first = self.last[master] + 1
        self.last[master] += count
        numbers = range(first, first + count)
        symbols = [change_symbol(self.levels, master, one) if master else single_symbol(one) for one in numbers]
        self.above.update(dict.fromkeys(symbols, (master, *self.above[master]) if master else ()))
        return symbols


class _Planner:
    """Gives keysets line by line, as accepting does, and counts the keys."""

    def __init__(self, work: Work, ask: QuoteRequest, keying: Sequence[KeyingChoice]) -> None:
        self._session = work.session
        self._today = work.today
        self._ask = ask
        self._choices = keying
        self._of_line: dict[int, list[KeysetOnLine]] = {}
        self._instead: dict[str, tuple[str, str]] = {}  # a replaced keyset's symbol → the new one's, and its system
        self._decoded: dict[tuple[str, KeyingInstruction], str] = {}  # to the same key of the customer's, alike
        self.books: dict[object, _Book] = {}
        self.questions: list[Problem] = []

    @cached_property
    def _shelf(self) -> Counter[CylinderType]:
        return Counter(bench_today(self._session, self._today).uncombinated_on_hand)

    def plan_line(self, number: int, line: LineRequest, unstocked: Collection[int]) -> PlannedLine | None:
        """The line's cylinders; None where it has none."""
        if not line.kind.is_keyed or line.attributes is None:
            return None
        choice = next((one for one in self._choices if number in one.lines), None)
        keyed_at = choice.choice if choice else ""
        keysets = self._rekeyed(line) if line.standing else self._given(number, line)
        if keysets is None:
            return None
        self._of_line[number] = keysets
        return PlannedLine(
            number=number,
            part_number=line.part_number,
            quantity=line.quantity,
            keyed_at=keyed_at,
            ready_on=choice.ready_on if choice else None,
            to_order=self._to_order(line, keyed_at, number in unstocked),
            keysets=tuple(keysets),
        )

    def _to_order(self, line: LineRequest, keyed_at: str, is_unstocked: bool) -> int:
        """How many of the line's cylinders are on no shelf; what the bench keys is taken from those without pins."""
        if line.kind is LineKind.REKEY:
            return 0
        if keyed_at == "factory":
            return line.quantity
        if keyed_at != "shop" or line.attributes is None:
            return line.quantity if is_unstocked else 0
        sort = CylinderType(line.attributes.type)
        taken = min(line.quantity, self._shelf[sort])
        self._shelf[sort] -= taken
        return line.quantity - taken

    def _given(self, number: int, line: LineRequest) -> list[KeysetOnLine] | None:
        """The next keysets of the system that a new line goes into; None where it is asked under which master."""
        keying = line.keying
        if not line.is_keyed:
            return []
        is_single = not keying.kind.is_master_keyed
        records = records_for(number, line, self._choices)
        if is_single and (keying.kind is not KeyingKind.SKD or self._ask.system is None):
            book = self._single_book(line, records)
        else:
            book = self._system_book(line)
        if book is None:
            return []
        master = "" if is_single else keying.master or next(iter(book.masters), "")
        if not is_single and (master not in book.above or (not keying.master and len(book.masters) > 1)):
            if keying.master and not book.is_new:
                return []  # refused already, with the masters that there are
            self.questions.append(Problem(f"lines.{number - 1}.master", _which_master(book, keying.master)))
            return None
        if keying.kind is KeyingKind.OWN:
            if (book.name, keying) not in self._decoded:
                self._decoded[book.name, keying] = book.next_symbols("", 1)[0]
            return [KeysetOnLine(self._decoded[book.name, keying], book.name, line.quantity, line.keys)]
        sizes = set_sizes(keying, line.quantity)
        return [
            KeysetOnLine(symbol, book.name, size, keys, book.above.get(symbol, ()))
            for symbol, size, keys in zip(
                book.next_symbols(master, len(sizes)), sizes, line.keys_by_keyset(sizes), strict=True
            )
        ]

    def _rekeyed(self, line: LineRequest) -> list[KeysetOnLine]:
        """The keysets of cylinders that are rekeyed where they hang: their own, or what takes its place."""
        rows = self._session.scalars(sa.select(Cylinder).where(Cylinder.id.in_(line.standing)))
        by_id = {cylinder.id: cylinder.keyset for cylinder in rows}
        counts = Counter(by_id.get(one) for one in line.standing)
        planned = []
        for (keyset, count), keys in zip(counts.items(), line.keys_by_keyset([*counts.values()]), strict=True):
            if keyset is None:
                continue
            book = self._book_of(keyset.system)
            symbol, is_new = keyset.symbol, keyset.symbol in self._ask.replaced
            if is_new:
                if symbol not in self._instead:
                    master = keyset.parent.symbol if keyset.parent else ""
                    self._instead[symbol] = book.next_symbols(master, 1)[0], book.name
                symbol = self._instead[symbol][0]
            above = book.above.get(symbol, ())
            planned.append(KeysetOnLine(symbol, book.name, count, keys, above, is_new))
        return planned

    def _single_book(self, line: LineRequest, records: RecordsHolder) -> _Book | None:
        said = line.attributes
        if said is None or not said.keyway or said.chambers is None:
            return None
        name = single_keyed_name(said.keyway, said.chambers, records)
        if name not in self.books:
            rows = sa.select(KeySystem).where(KeySystem.customer_id == self._ask.customer_id, KeySystem.name == name)
            system = self._session.scalar(rows)
            if system is not None:
                return self._book_of(system)
            self.books[name] = _Book(name, 1, True, {}, Counter(), [], self._is_core(said.keyway))
        return self.books[name]

    def _system_book(self, line: LineRequest) -> _Book | None:
        asked = self._ask.system
        if asked is None:
            return None
        if asked.existing_id is not None:
            system = self._session.get(KeySystem, asked.existing_id)
            return self._book_of(system) if system is not None else None
        if "new" not in self.books:
            levels = asked.levels_for(self._ask.lines)
            grands = asked.grands if levels == 4 else 1
            masters = asked.masters if levels > 2 else 1
            symbols = [read_symbol(symbol) for symbol in make_symbols(levels, masters, 0, grands)]
            there = {one.text for one in symbols}
            chains = operating_chains({one.text: one.parent if one.parent in there else None for one in symbols})
            above = {symbol: chain[1:] for symbol, chain in chains.items()}
            names = [one.text for one in symbols if one.level is SymbolLevel.MASTER]
            keyway = line.attributes.keyway if line.attributes else None
            is_core = self._is_core(keyway or "")
            self.books["new"] = _Book(asked.name.strip(), levels, True, above, Counter(), names, is_core)
        return self.books["new"]

    def _book_of(self, system: KeySystem) -> _Book:
        if system.id not in self.books:
            by_id = {one.id: one for one in system.keysets}
            last: Counter[str] = Counter()
            above = {}
            for keyset in system.keysets:
                under = keyset.parent.symbol if keyset.parent else ""
                if keyset.level in (Level.CHANGE, Level.SINGLE):
                    last[under] = max(last[under], number_of(keyset.symbol))
                chain = operators_of(keyset, is_nmk=False, by_id=by_id)
                above[keyset.symbol] = tuple(one.symbol for one in chain[1:])
            masters = [one.symbol for one in system.keysets if one.level is Level.MASTER]
            self.books[system.id] = _Book(
                system.name, system.levels, False, above, last, masters, self._wants_control(system)
            )
        return self.books[system.id]

    def _is_core(self, keyway: str) -> bool:
        spec = self._session.scalar(sa.select(SpecRow.spec).join(Keyway).where(Keyway.code == keyway))
        return spec is not None and spec.get("control_offset") is not None

    def _wants_control(self, system: KeySystem) -> bool:
        """Whether nobody has a control key of these cores yet, and it is this house that cuts one."""
        control = next((one for one in system.keysets if one.level is Level.CONTROL), None)
        if control is None or control.keys_ordered or system.records is not RecordsHolder.SHOP:
            return False
        return not has_control_keys(self._session, system)

    def plan_keys(self, lines: Iterable[LineRequest]) -> tuple[PlannedKeys, ...]:
        """The keys with the cylinders, then those of the lines of further keys."""
        counts: Counter[tuple[str, str]] = Counter()
        for keysets in self._of_line.values():
            for one in keysets:
                counts[one.symbol, one.system] += one.keys
        for line in lines:
            self._count_line(counts, line)
        for book in self.books.values():
            if book.wants_control and not counts[CONTROL_SYMBOL, book.name]:
                counts[CONTROL_SYMBOL, book.name] = 1
        return tuple(PlannedKeys(symbol, system, count) for (symbol, system), count in counts.items() if count)

    def _count_line(self, counts: Counter[tuple[str, str]], line: LineRequest) -> None:
        number = line_named(line.symbol)
        if number is not None:
            named = dict.fromkeys((one.symbol, one.system) for one in self._of_line.get(number, ()))
            for one in named:
                counts[one] += line.quantity // len(named)
        elif line.symbol in self._instead:
            counts[self._instead[line.symbol]] += line.quantity
        elif line.symbol == OWN:
            counts[OWN, ""] += line.quantity
        elif line.symbol:
            counts[line.symbol, self._system_of(line.symbol)] += line.quantity

    def _system_of(self, symbol: str) -> str:
        """The system that a key line's symbol is of: one of the job's, else the customer's other one that has it."""
        for book in self.books.values():
            if symbol in book.above or (symbol == CONTROL_SYMBOL and book.wants_control):
                return book.name
        rows = sa.select(KeySystem.name).join(Keyset, Keyset.system_id == KeySystem.id)
        found = rows.where(KeySystem.customer_id == self._ask.customer_id, Keyset.symbol == symbol)
        asked = self._ask.system.existing_id if self._ask.system else None
        return self._session.scalar(found.order_by(sa.case((KeySystem.id == asked, 0), else_=1)).limit(1)) or ""
