"""Which key system each sold cylinder goes into, whether it can be there, and the keysets of a plan put on record."""

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import sqlalchemy as sa

from app.errors import Problem
from app.ledger.keysystems.construction import (
    CONSTRUCTION_CONTROL_SYMBOL,
    ConstructionWay,
    is_construction_symbol,
    lend_cores,
    set_up,
)
from app.ledger.keysystems.control import CONTROL_SYMBOL, add_factory_control
from app.ledger.keysystems.keysets import add_customers_key, add_keysets, find_master, number_of
from app.ledger.keysystems.out_of_use import why_retired
from app.ledger.keysystems.planned_doors import take_place
from app.ledger.keysystems.system_queries import get_system, sections_of
from app.ledger.keysystems.systems import SystemForm, insert_system, most_chambers, single_keyed_system
from app.ledger.quoting.loss_lines import PlanOfQuote
from app.ledger.quoting.plan import Plan
from app.ledger.quoting.rekeying import crossed_ways
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.quoting.snapshot import KeyingChoice
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Job, Keyset, KeySystem, Level, LineKind, RecordsHolder
from app.pricing import KeyingKind

_NOT_CONSTRUCTION_KEYED = {
    ConstructionWay.MASTER: "A construction master is for new cylinders, no cores, that are keyed into the key "
    "system; here are none. Interchangeable cores get construction cores.",
    ConstructionWay.CORES: "Construction cores stand in for new interchangeable cores that are keyed into the key "
    "system; here are none. Other cylinders get a construction master.",
}
_COUNTS = ["three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"]
_LEVELS = {
    2: ("two levels, masters over changes", KeyingKind.MK),
    3: ("three levels, a grand master over masters and changes", KeyingKind.GMK),
}


def system_problems(
    work: Work, ask: QuoteRequest, lines: Sequence[LineRequest | None], choices: Sequence[KeyingChoice] | None
) -> list[Problem]:
    """Every line (None: not understood) that cannot be in the request's key system, by `lines.0.keyway`.

    A new system is made for its first line, and its records are where that is keyed. `choices`: where the lines are
    keyed, None while nobody knows. Asked before a quote, and again at its acceptance.
    """
    asked = ask.system
    if asked is None:
        if any(line is not None and line.is_keyed and line.keying.kind.is_master_keyed for line in lines):
            return [Problem("system", "Master-keyed cylinders need a key system: choose one, or name a new one.")]
        return []
    system = work.session.get(KeySystem, asked.existing_id) if asked.existing_id is not None else None
    name = system.name if system else asked.name.strip() or "the new system"
    made = (system.keyway, system.chambers) if system else None
    held = system.records if system else None
    problems = []
    if asked.construction and not ask.construction_keyed(lines) and all(lines):
        problems.append(Problem("construction", _NOT_CONSTRUCTION_KEYED[asked.construction]))
    for number, line in enumerate(lines, start=1):
        if line is None or not line.joins_system:
            continue
        wrong = [] if system is None or line.standing else list(_of_system_on_record(work, system, line.keying))
        attributes = line.attributes
        if attributes is not None and attributes.keyway and attributes.chambers is not None:
            made = made or (attributes.keyway, _longest(work, lines, attributes.keyway, attributes.chambers))
            named, on = name, made
            if system is not None and line.standing and attributes.keyway in sections_of(system):
                on = (attributes.keyway, made[1])
            elif system is not None and line.keying.kind.is_master_keyed and not line.standing:
                master = _master_of(work, system, line.keying.master)
                if master is not None and master.keyway:
                    named, on = f"{master.symbol} of {name}", (master.keyway, made[1])
            wrong += [("keyway", told) for told in _misfit(named, on, (attributes.keyway, attributes.chambers))]
        if choices is not None:
            wanted = records_for(number, line, choices)
            held = held or wanted
            # A factory extends a system on record from the bittings that the shop draws and sends, and the records
            # stay here; whether its maker does that, the pricing room has judged.
            stays = system is not None and held is RecordsHolder.SHOP
            if not stays and held is not wanted and held is not RecordsHolder.NOBODY:
                told = (
                    f"The records of {name} are with the {held.value}; key this line there, or the others here, too"
                )
                wrong.append(("keying", f"{told}, so that one system is never extended in two places."))
        problems += [Problem(f"lines.{number - 1}.{field}", message) for field, message in wrong]
    return problems


def _master_of(work: Work, system: KeySystem, symbol: str) -> Keyset | None:
    """The master that a line's cylinders go under; None where it has none such, which is told elsewhere."""
    try:
        return find_master(work, system, symbol)
    except LedgerError:
        return None


def _of_system_on_record(work: Work, system: KeySystem, keying: KeyingInstruction) -> Iterator[tuple[str, str]]:
    """Why nothing can be master keyed so in a system, by the field at fault: its masters and levels are there."""
    if why := why_retired(system):
        yield "keying", why
        return
    if not keying.kind.is_master_keyed:
        return
    if system.records is RecordsHolder.NOBODY:
        yield "keying", f"Nobody holds the array and the list of bittings of {system.name}: key these single (SKD)."
        return
    try:
        find_master(work, system, keying.master)
    except LedgerError as error:
        yield error.field, error.message
        return
    if system.levels in _LEVELS and keying.least_levels > system.levels:
        has, kind = _LEVELS[system.levels]
        yield (
            "keying",
            f"{system.name} has {has}: nothing in it can be keyed {keying.kind.value}. Key this line {kind.value}, "
            f"or start a system of {_count(keying.least_levels)} levels.",
        )


def shorter_than(chambers: int, ask: QuoteRequest, number: int) -> int | None:
    """How many chambers the shortest cylinders have that line `number` gives keysets to, those of lines alike with it
    among them, where that is fewer than keys of a system with so many have cuts.
    """
    sharing = [line for one, line in enumerate(ask.lines, start=1) if one == number or ask.source_of(one) == number]
    own = [one.attributes.chambers for one in sharing if one.attributes and one.attributes.chambers is not None]
    return min(own) if own and min(own) < chambers else None


def _misfit(name: str, made: tuple[str, int], cylinder: tuple[str, int]) -> Iterator[str]:
    """Why a cylinder (keyway, chambers) cannot be in a system made for others: one with fewer chambers can."""
    if made[1] < cylinder[1]:
        own, theirs = _count(cylinder[1]), _count(made[1])
        yield (
            f"{own.capitalize()}-pin cylinders cannot join {name}, a {theirs}-chamber system. "
            f"Choose {theirs}-pin cylinders, or key these different (KD)."
        )
    elif made[0] != cylinder[0]:
        yield (
            f"Cylinders on keyway {cylinder[0]} cannot join {name}, which is on keyway {made[0]}. Choose cylinders "
            f"on {made[0]}, or key these different (KD)."
        )


def _count(number: int) -> str:
    return _COUNTS[number - 3] if 3 <= number <= 12 else str(number)


def records_for(number: int, line: LineRequest, choices: Sequence[KeyingChoice]) -> RecordsHolder:
    """Who keys line `number`, as decided, and so has to hold the records of the system that it goes into."""
    # A customer's own cylinders never leave for the factory.
    choice = next((one for one in choices if number in one.lines), None)
    if line.kind is LineKind.REKEY or choice is None or choice.choice != "factory":
        return RecordsHolder.SHOP
    # One system keyed in two places has its records in one.
    is_split = choice.in_two_places and line.keying.kind is not KeyingKind.KD
    return RecordsHolder.SHOP if is_split else RecordsHolder.FACTORY


def _longest(work: Work, lines: Iterable[LineRequest | None], keyway: str, own: int) -> int:
    """The most chambers of the cylinders on a keyway that join the request's key system, as far as its keys reach;
    `own` are those of one of them.
    """
    joining = [one.attributes for one in lines if one is not None and one.joins_system and one.attributes]
    counts = [own, *(one.chambers for one in joining if one.keyway == keyway and one.chambers is not None)]
    if max(counts) == own:
        return own
    most = most_chambers(work, keyway)
    return max((count for count in counts if count <= most), default=own)


def begun_system(
    work: Work, ask: QuoteRequest, line: LineRequest, keyway: str, chambers: int, records: RecordsHolder
) -> SystemForm:
    """How the request's new key system is started, for the first of its lines, whose cylinders have so many chambers:
    its keys have as many cuts as the longest of all has.
    """
    asked = ask.system or SystemRequest()
    levels = asked.levels_for(ask.lines)
    under: Counter[str] = Counter()
    for other in ask.lines:
        if other.is_keyed and other.keying.kind.is_master_keyed:
            under[other.keying.master] += len(set_sizes(other.keying, other.quantity))
    return SystemForm(
        customer_id=ask.customer_id,
        name=asked.name.strip(),
        levels=levels,
        keyway=keyway,
        chambers=_longest(work, ask.lines, keyway, chambers),
        grands=asked.grands if levels == 4 else 1,
        masters=asked.masters if levels > 2 else 1,
        changes=max(under.values(), default=len(set_sizes(line.keying, line.quantity))),
        records=records,
        mark_keys=asked.mark_keys,
        mark_cylinders=asked.mark_cylinders,
        is_a_site=asked.construction is ConstructionWay.MASTER,
    )


@dataclass(frozen=True, slots=True)
class Allotment:
    """What one cylinder is keyed to (None: uncombinated), whether no master operates it, and the symbols of what
    operates one besides that is rekeyed where it hangs.
    """

    keyset: Keyset | None
    is_nmk: bool = False
    further: tuple[str, ...] = ()


class KeysetAllotter:
    """Gives the cylinders of a job, whose quote was accepted, the keysets that its plan names, line by line, inside
    the caller's transaction: those on record, or new ones.
    """

    def __init__(self, work: Work, job: Job, ask: QuoteRequest, choices: Sequence[KeyingChoice], plan: Plan) -> None:
        self.work = work
        self.job = job
        self.ask = ask
        self.plan = plan
        self._choices = choices
        self._lines = {line.number: line.keysets for line in plan.lines}
        self._begun: KeySystem | None = None
        self._instead: dict[str, Keyset] = {}

    def key_site(self) -> None:
        """Have the job's new cylinders be construction keyed as its plan says, once they are on record."""
        symbols = {one.symbol: one.system for one in self.plan.keys if is_construction_symbol(one.symbol)}
        keyed, asked = self.ask.construction_keyed(), self.ask.system
        for symbol, name in symbols.items():
            if asked is None or symbol.startswith(CONSTRUCTION_CONTROL_SYMBOL):
                continue
            rows = sa.select(Cylinder).where(Cylinder.job_id == self.job.id, Cylinder.line_number.in_(keyed))
            cylinders = self.work.session.scalars(rows.order_by(Cylinder.id)).all()
            [system] = self.systems([name])
            way = lend_cores if asked.construction is ConstructionWay.CORES else set_up
            way(self.work, system, symbol, cylinders)

    def allot(self, number: int, line: LineRequest, named: Sequence[str]) -> list[Allotment]:
        """One allotment a cylinder of line `number`; `named` are the keysets in the door list, "" for the next.

        `(NMK)` after a symbol keeps the masters out of that cylinder.
        """
        if not line.is_keyed:
            return [Allotment(None)] * line.quantity
        planned = self._lines[number]
        source = self.ask.source_of(number)
        system = self._system_of(source, self.ask.lines[source - 1])
        by_symbol = {one.symbol: one for one in system.keysets}
        if fresh := [one.symbol for one in planned if one.symbol not in by_symbol]:
            by_symbol.update({one.symbol: one for one in self._add(system, source, fresh)})
        asked = [split_nmk(symbol) for symbol in named]
        taken = Counter(symbol for symbol, _ in asked)
        rest = (one.symbol for one in planned for _ in range(one.cylinders - taken[one.symbol]))
        return [Allotment(by_symbol[symbol or next(rest)], is_nmk) for symbol, is_nmk in asked]

    def _add(self, system: KeySystem, number: int, symbols: Sequence[str]) -> list[Keyset]:
        keying = self.ask.lines[number - 1].keying
        if keying.kind is KeyingKind.OWN:
            return [add_customers_key(self.work, system, keying.key_words)]
        under = Level.MASTER if keying.kind.is_master_keyed else Level.SINGLE
        also = [one for one in system.keysets if keying.selective and one.symbol == keying.selective]
        crossed = [also] if also else []
        shorter = shorter_than(system.chambers, self.ask, number)
        return add_keysets(
            *(self.work, system, len(symbols), keying.master),
            under=under,
            symbols=symbols,
            crossed=crossed,
            chambers=shorter,
        )

    def rekey(self, line: LineRequest, there: Sequence[Cylinder]) -> list[Allotment]:
        """One allotment a cylinder that a line rekeys where it hangs: its own keyset, or what replaces it.

        Cylinders that were alike stay alike, masters and NMK as they were, but for what a loss's plan leaves out.
        """
        own = [cylinder.keyset for cylinder in there if cylinder.keyset is not None]
        if (plan := PlanOfQuote.of(self.work.session, self.ask)) is not None:
            by_symbol = {one.symbol: one for one in get_system(self.work.session, plan.loss.system_id).keysets}
            keyed = map(plan.rekeyed, there)
            return [Allotment(by_symbol[one.symbol], one.is_nmk, one.further) for one in keyed]
        return [
            Allotment(self._now(keyset), one.is_nmk, tuple(self._now(also.keyset).symbol for also in one.operators))
            for keyset, one in zip(own, there, strict=True)
        ]

    def _now(self, old: Keyset) -> Keyset:
        """The keyset itself or, of those that the request replaces, the new one in its place, of the same master."""
        if old.symbol not in self.ask.replaced:
            return old
        if old.symbol not in self._instead:
            master, under = (old.parent.symbol, Level.MASTER) if old.parent else ("", Level.SINGLE)
            crossed = crossed_ways(self.work.session, self.ask, old)
            [new] = add_keysets(self.work, old.system, 1, master, under=under, crossed=crossed)
            take_place(self.work.session, old, new)
            self._instead[old.symbol] = new
        return self._instead[old.symbol]

    def keys(self) -> dict[Keyset, int]:
        """How many keys each keyset gets, all of them on record by now."""
        there: dict[tuple[str, str], Keyset] = {}
        for system in self.systems(one.system for one in self.plan.keys):
            if any(one.symbol == CONTROL_SYMBOL and one.system == system.name for one in self.plan.keys):
                add_factory_control(self.work, system)
            there.update({(one.symbol, system.name): one for one in system.keysets})
        return {there[one.symbol, one.system]: one.count for one in self.plan.keys if one.system}

    def systems(self, names: Iterable[str]) -> list[KeySystem]:
        """The customer's key systems of these names, in their order."""
        names = [*dict.fromkeys(names)]
        rows = sa.select(KeySystem).where(KeySystem.customer_id == self.job.customer_id, KeySystem.name.in_(names))
        found = {system.name: system for system in self.work.session.scalars(rows)}
        return [found[name] for name in names if name in found]

    def _system_of(self, number: int, line: LineRequest) -> KeySystem:
        """Where a line's cylinders go: the job's system, started at its first line, or the book of single keys."""
        said, asked = line.attributes, self.ask.system
        if said is None or said.keyway is None or said.chambers is None:
            raise LedgerError("keyway", "To be keyed, a cylinder needs its keyway and its chambers.")
        records = records_for(number, line, self._choices)
        if asked is None or not line.joins_system:
            return single_keyed_system(self.work, self.job.customer_id, said.keyway, said.chambers, records)
        if asked.existing_id is not None:
            return get_system(self.work.session, asked.existing_id)
        if self._begun is None:
            form = begun_system(self.work, self.ask, line, said.keyway, said.chambers, records)
            self._begun = insert_system(self.work, replace(form, site_id=self.job.site_id))
        return self._begun


def split_nmk(symbol: str) -> tuple[str, bool]:
    """A keyset as a door list names it, and whether no master operates the cylinder.

    >>> split_nmk("2AA (NMK)"), split_nmk("2 aa")
    (('2AA', True), ('2AA', False))
    """
    bare = re.sub(r"\s*\(NMK\)\s*$", "", symbol, flags=re.IGNORECASE)
    squeezed = re.sub(r"[\s-]", "", bare).upper()
    return squeezed if number_of(squeezed) else bare, "(NMK)" in symbol.upper()


def set_sizes(keying: KeyingInstruction, quantity: int) -> list[int]:
    """How many cylinders each keyset of a line gets.

    >>> set_sizes(KeyingInstruction(KeyingKind.KA, 2), 5), set_sizes(KeyingInstruction(KeyingKind.KA), 3)
    ([2, 2, 1], [3])
    >>> set_sizes(KeyingInstruction(KeyingKind.MK), 3)
    [1, 1, 1]
    """
    if keying.kind in (KeyingKind.KA, KeyingKind.OWN) and keying.set_size is None:
        return [quantity]
    size = keying.set_size or 1
    whole, rest = divmod(quantity, size)
    return [size] * whole + ([rest] if rest else [])
