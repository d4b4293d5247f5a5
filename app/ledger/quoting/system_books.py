"""The key systems that a plan's lines go into, on record or still to be started: their symbols, and no bitting."""

from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field

import sqlalchemy as sa

from app.errors import BitternError
from app.keying import (
    ROLE_BELOW,
    BittingSpec,
    NoBittingsLeft,
    SymbolLevel,
    make_symbols,
    operating_chains,
    read_symbol,
)
from app.ledger.keysystems.bittings import spec_of
from app.ledger.keysystems.control import CONTROL_SYMBOL, has_control_keys, lacks_factory_control
from app.ledger.keysystems.keysets import number_under, over_changes, symbols_after
from app.ledger.keysystems.out_of_use import require_in_use
from app.ledger.keysystems.rows_aside import stamped_by_list
from app.ledger.keysystems.system_queries import operators_of, sections_entered
from app.ledger.keysystems.systems import SystemForm, keyway_spec, name_is_taken, single_keyed_name
from app.ledger.quoting.allocation import begun_system, records_for
from app.ledger.quoting.request import LineRequest, QuoteRequest
from app.ledger.quoting.snapshot import KeyingChoice
from app.ledger.store.work import Work
from app.ledger.tables import KeySystem, Level, RecordsHolder


@dataclass(slots=True, eq=False)
class SystemBook:
    """A key system as a plan sees it. row: None of one that acceptance starts; form: how, where it is master-keyed.

    above: a keyset's symbol → the masters over it, nearest first; last: the highest number under each master, "" of
    the singles; masters: what changes are added under, and roles which chambers turn there, where it is no master;
    there: symbols that were on record before this job. selective: the symbol of its selective master, which is last
    of the masters. wants_control: whether its cores still need one.
    """

    name: str
    customer_id: int
    levels: int
    keyway: str
    spec: BittingSpec
    records: RecordsHolder
    row: KeySystem | None = None
    form: SystemForm | None = None
    above: dict[str, tuple[str, ...]] = field(default_factory=dict)
    last: Counter[str] = field(default_factory=Counter)
    masters: list[str] = field(default_factory=list)
    roles: dict[str, str] = field(default_factory=dict)
    there: frozenset[str] = frozenset()
    stamped: Collection[str] = ()  # on keys of the list that it came from
    selective: str = ""
    wants_control: bool = False
    keyways: dict[str, str] = field(default_factory=dict)  # of those on record that are not on the system's
    entered: dict[str, frozenset[str]] = field(default_factory=dict)  # what keys of those on record have to enter

    def section(self, symbol: str) -> str:
        """The keyway of cylinders that are keyed to a keyset, or to a new one under a master."""
        over = self.above.get(symbol, ())
        return self.keyways.get(symbol) or (self.keyways.get(over[0]) if over else None) or self.keyway

    def blank_keyways(self, symbol: str) -> tuple[str, ...]:
        """The keyways that a key of a keyset has to enter."""
        return tuple(sorted(self.entered.get(symbol) or {self.section(symbol)}))

    def replace_keysets(self, successors: Mapping[str, str]) -> None:
        """Have those that take others' places after a loss be on their keyways, and enter what these do."""
        for old, new in successors.items():
            if old in self.entered and new not in self.there:
                self.keyways[new], self.entered[new] = self.section(old), self.entered[old]

    @property
    def is_ours(self) -> bool:
        """Whether this house draws its bittings."""
        return self.records is RecordsHolder.SHOP

    def shears_at_most(self, symbol: str, operators: Collection[str]) -> int:
        """How many depths shear in a chamber, at most, of a cylinder on a keyset that these operate besides.

        A change out of an array has, in each chamber, its master's cut or one of its own, and every master over it
        has the top's wherever lower levels turn: two depths, and one more for each key that is no master over it.
        Of others each key may have a cut of its own.
        """
        has_array = self.form is not None or (self.row is not None and self.row.sealed_plan is not None)
        crossed = [one for one in operators if one not in self.above.get(symbol, ())]
        above = len(operators) - len(crossed)
        if has_array and symbol not in self.there:
            above = min(above, 1)
        return min(1 + above + len(crossed), self.spec.depths)

    def is_free(self, symbol: str, master: str, count: int) -> bool:
        """Whether a symbol that somebody lists can be one of `count` new ones, leaving out no more numbers."""
        number = number_under(master, symbol) if master else 0
        if not 0 < number <= self.last[master] + 2 * count or symbol in self.above:
            return False
        return symbols_after(self.levels, master, number - 1, 1, self.stamped) == [symbol]

    def add_symbols(
        self, master: str, count: int, listed: Collection[str] = (), reserved: Collection[str] = ()
    ) -> list[str]:
        """So many symbols under a master, "" for singles: those that are listed, and the next ones free."""
        most = count + len(listed) + len(reserved)
        free = symbols_after(self.levels, master, self.last[master], most, self.stamped)
        own = [*listed][:count]
        own += [one for one in free if one not in listed and one not in reserved][: count - len(own)]
        symbols = sorted(own, key=lambda symbol: number_under(master, symbol))
        self.last[master] = max([self.last[master], *(number_under(master, symbol) for symbol in symbols)])
        self.above.update(dict.fromkeys(symbols, (master, *self.above[master]) if master else ()))
        return symbols

    def has(self, symbol: str) -> bool:
        """Whether a keyset of this symbol is there, or is made by this job."""
        return symbol in self.above


class SystemBooks:
    """The books of one request, each made once. begin: told of each that is still to be started; what it raises
    stands against the line that would start it.
    """

    def __init__(
        self, work: Work, ask: QuoteRequest, choices: Sequence[KeyingChoice], begin: Callable[[SystemBook], None]
    ) -> None:
        self._work = work
        self._ask = ask
        self._choices = choices
        self._begin = begin
        self._by_key: dict[object, SystemBook | None] = {}  # a system's id, a book's name, or "new"; None: refused

    @property
    def all(self) -> list[SystemBook]:
        """Those that are known by now."""
        return [book for book in self._by_key.values() if book is not None]

    def asked(self) -> SystemBook | None:
        """The request's own key system; None where it has none, or none that can be."""
        asked = self._ask.system
        if asked is None or asked.existing_id is None:
            return self._by_key.get("new")
        system = self._work.session.get(KeySystem, asked.existing_id)
        return self.of(system) if system is not None and system.customer_id == self._ask.customer_id else None

    def for_line(self, number: int, line: LineRequest) -> SystemBook | None:
        """The book that a line's new cylinders go into; None where that was refused already.

        BitternError by the line's fields, or those of a new system (`system_name`).
        """
        said, asked, who = line.attributes, self._ask.system, self._ask.customer_id
        if said is None or not said.keyway or said.chambers is None:
            raise BitternError("keyway", "To be keyed, a cylinder needs its keyway and its chambers.")
        records = records_for(number, line, self._choices)
        if line.joins_system and (asked is not None or line.keying.kind.is_master_keyed):
            if asked is not None and asked.existing_id is not None and self.asked() is None:
                raise BitternError("keying", "This key system belongs to another customer.")
            if (book := self.asked()) is not None and book.row is not None:
                require_in_use(book.row, "keying")
            if asked is not None and asked.existing_id is None and "new" not in self._by_key:
                self._start("new", begun_system(self._work, self._ask, line, said.keyway, said.chambers, records))
            return self.asked()
        name = single_keyed_name(said.keyway, said.chambers, records)
        if name not in self._by_key:
            rows = sa.select(KeySystem).where(KeySystem.customer_id == who, KeySystem.name == name)
            system = self._work.session.scalar(rows)
            if system is not None:
                require_in_use(system, "keying")
                return self.of(system)
            self._start(name, SystemForm(who, name, 1, said.keyway, said.chambers, records=records))
        return self._by_key[name]

    def _start(self, key: str, form: SystemForm) -> None:
        """Make the book of a system that this job starts, once; it stays refused where it cannot be."""
        if key in self._by_key:
            return
        self._by_key[key] = None
        if form.levels > 1 and name_is_taken(self._work, form.customer_id, form.name):
            told = f"This customer has a key system named {form.name} already"
            raise BitternError("system_name", f"{told}; choose it from the list, or enter another name.")
        book = _new_book(form, keyway_spec(self._work, form.keyway, form.chambers))
        try:
            self._begin(book)
        except BitternError as error:
            is_short = isinstance(error, NoBittingsLeft) and len(book.masters) > 1
            field = "quantity" if error.field == "changes_per_master" else "keying"
            raise BitternError("system_masters" if is_short else field, error.message) from error
        self._by_key[key] = book

    def of(self, system: KeySystem) -> SystemBook:
        """The book of a system on record."""
        book = self._by_key.get(system.id)
        if book is not None:
            return book
        by_id = {one.id: one for one in system.keysets}
        last: Counter[str] = Counter()
        above = {}
        for keyset in system.keysets:
            under = keyset.parent.symbol if keyset.parent else ""
            if keyset.level is Level.SINGLE or (keyset.level is Level.CHANGE and under):
                last[under] = max(last[under], number_under(under, keyset.symbol))
            chain = operators_of(keyset, is_nmk=False, by_id=by_id)
            above[keyset.symbol] = tuple(one.symbol for one in chain[1:])
        there = frozenset(above)
        if lacks_factory_control(system):
            above[CONTROL_SYMBOL] = ()
        over = over_changes(system.keysets)
        book = SystemBook(
            name=system.name,
            customer_id=system.customer_id,
            levels=system.levels,
            keyway=system.keyway,
            spec=spec_of(system),
            records=system.records,
            row=system,
            above=above,
            last=last,
            masters=[one.symbol for one in over],
            roles={one.symbol: ROLE_BELOW[one.level] for one in over if one.level is not Level.MASTER},
            there=there,
            stamped=stamped_by_list(system),
            selective=next((one.symbol for one in over if one.level is Level.SELECTIVE), ""),
            wants_control=self._wants_control(system),
            keyways={one.symbol: one.keyway for one in system.keysets if one.keyway},
            entered={by_id[one].symbol: names for one, names in sections_entered(self._work.session, system).items()},
        )
        self._by_key[system.id] = book
        return book

    def _wants_control(self, system: KeySystem) -> bool:
        """Whether nobody has a control key of these cores yet, and it is this house that cuts one."""
        control = next((one for one in system.keysets if one.level is Level.CONTROL), None)
        if control is None or control.keys_ordered or system.records is not RecordsHolder.SHOP:
            return False
        return not has_control_keys(self._work.session, system)


def _new_book(form: SystemForm, spec: BittingSpec) -> SystemBook:
    """The book of a system that is still to be started, with its masters where it is master-keyed."""
    above: dict[str, tuple[str, ...]] = {}
    masters: list[str] = []
    if form.levels > 1:
        symbols = [read_symbol(symbol) for symbol in make_symbols(form.levels, form.masters, 0, form.grands)]
        there = {one.text for one in symbols}
        chains = operating_chains({one.text: one.parent if one.parent in there else None for one in symbols})
        above = {symbol: chain[1:] for symbol, chain in chains.items()}
        masters = [one.text for one in symbols if one.level is SymbolLevel.MASTER]
    is_core = spec.control_offset is not None
    if is_core:
        above[CONTROL_SYMBOL] = ()
    return SystemBook(
        name=form.name,
        customer_id=form.customer_id,
        levels=form.levels,
        keyway=form.keyway,
        spec=spec,
        records=form.records,
        form=form if form.levels > 1 else None,
        above=above,
        masters=masters,
        wants_control=is_core,
    )
