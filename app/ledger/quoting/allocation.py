"""Which key system each sold cylinder goes into, whether it can be there, and which keyset it gets: alike in sets,
different, under a master or single.
"""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import sqlalchemy as sa

from app.errors import Problem, Problems
from app.ledger.keysystems.keysets import add_customers_key, add_keysets, find_master
from app.ledger.keysystems.lost_keysets import require_not_retired
from app.ledger.keysystems.system_queries import get_system
from app.ledger.keysystems.systems import SystemForm, insert_system, single_keyed_system
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.quoting.snapshot import KeyingChoice, QuoteSnapshot
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderOperator, Job, Keyset, KeySystem, Level, LineKind, RecordsHolder
from app.pricing import KeyingKind

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
    for number, line in enumerate(lines, start=1):
        if line is None or not line.joins_system:
            continue
        wrong = [] if system is None else list(_of_system_on_record(work, system, line.keying))
        attributes = line.attributes
        if attributes is not None and attributes.keyway and attributes.chambers is not None:
            made = made or (attributes.keyway, attributes.chambers)
            wrong += [("keyway", told) for told in _misfit(name, made, (attributes.keyway, attributes.chambers))]
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


def _of_system_on_record(work: Work, system: KeySystem, keying: KeyingInstruction) -> Iterator[tuple[str, str]]:
    """Why nothing can be master keyed so in a system, by the field at fault: its masters and levels are there."""
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


def _misfit(name: str, made: tuple[str, int], cylinder: tuple[str, int]) -> Iterator[str]:
    """Why a cylinder (keyway, chambers) cannot be in a system made for others."""
    if made[1] != cylinder[1]:
        own, theirs = _count(cylinder[1]), _count(made[1])
        yield (
            f"{own.capitalize()}-pin cylinders cannot join {name}, a {theirs}-chamber system. "
            f"Choose {theirs}-pin cylinders, or key these different (KD)."
        )
    elif made[0] != cylinder[0]:
        yield (
            f"Cylinders on keyway {cylinder[0]} cannot join {name}, which is on keyway {made[0]}: its keys do not "
            "enter them."
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


@dataclass(frozen=True, slots=True)
class Allotment:
    """What one cylinder is keyed to (None: uncombinated), and whether no master operates it."""

    keyset: Keyset | None
    is_nmk: bool = False


class KeysetAllotter:
    """Gives the cylinders of a job, whose quote was accepted, their keysets, line by line, inside the caller's
    transaction.

    `systems`: every key system that was touched. `keys`: how many keys each keyset gets with its cylinders.
    `made`: those of the systems that this job begins.
    `of_line`: each line's keysets, once each, in the order in which its cylinders have them.
    `instead`: the new keysets by the symbols of those whose place they take. `at`: the number of the line whose turn
    it is, as the caller sets it, for whoever has to say which one was refused.
    """

    def __init__(self, work: Work, job: Job, quote: QuoteSnapshot) -> None:
        self.work = work
        self.job = job
        self.ask = QuoteRequest.from_json(quote.ask)
        self._choices = quote.keying
        self._system: KeySystem | None = None
        self._fresh: set[Keyset] = set()  # what this job itself added: dealt line by line, and no further
        self._decoded: dict[tuple[int, KeyingInstruction], Keyset] = {}
        self.systems: list[KeySystem] = []
        self.made: list[KeySystem] = []
        self.keys: Counter[Keyset] = Counter()
        self.of_line: dict[int, list[Keyset]] = {}
        self.instead: dict[str, Keyset] = {}
        self.at = 0

    def allot(self, number: int, line: LineRequest, symbols: Sequence[str]) -> list[Allotment]:
        """One allotment a cylinder of line `number`; `symbols` are those asked for in the door list ("" any).

        In a system on record the list may name keysets that stand there already: those doors are keyed to them.
        `(NMK)` after a symbol keeps the masters out of that cylinder.
        """
        nmk = ["(NMK)" in symbol.upper() for symbol in symbols]
        symbols = [re.sub(r"\s*\(NMK\)\s*$", "", symbol, flags=re.IGNORECASE) for symbol in symbols]
        if not line.is_keyed:
            if any(symbols):
                raise LedgerError("doors", f"Line {number} is uncombinated, but a keyset is given in the door list.")
            return [Allotment(None)] * line.quantity
        system = self._system_of(number, line)
        on_record = self._on_record(system, line, symbols)
        asked = [symbol for symbol in symbols if symbol not in on_record]
        sizes = set_sizes(line.keying, len(asked)) if asked else []
        keysets = self.add(system, line, len(sizes)) if asked else []
        self._fresh.update(keysets)
        places = [keyset for keyset, size in zip(keysets, sizes, strict=True) for _ in range(size)]
        fresh = iter(_deal(number, places, asked))
        dealt = [on_record[symbol] if symbol in on_record else next(fresh) for symbol in symbols]
        self._count(number, line, dealt)
        return [Allotment(keyset, is_nmk) for keyset, is_nmk in zip(dealt, nmk, strict=True)]

    def add(self, system: KeySystem, line: LineRequest, count: int) -> list[Keyset]:
        """So many new keysets for a line's cylinders; one, without a bitting yet, for all that is keyed to the same
        key of the customer's.
        """
        if line.keying.kind is KeyingKind.OWN:
            if (system.id, line.keying) not in self._decoded:
                self._decoded[system.id, line.keying] = add_customers_key(self.work, system, line.keying.words)
            return [self._decoded[system.id, line.keying]]
        under = Level.MASTER if line.keying.kind.is_master_keyed else Level.SINGLE
        return add_keysets(self.work, system, count, line.keying.master, under=under)

    def rekey(self, number: int, line: LineRequest, there: Sequence[Cylinder]) -> list[Allotment]:
        """One allotment a cylinder that line `number` rekeys where it hangs: its own keyset, or what replaces it.

        Cylinders that were alike stay alike, masters and NMK as they were.
        """
        own = [cylinder.keyset for cylinder in there if cylinder.keyset is not None]
        if len(own) < len(there):
            raise LedgerError("quantity", "A cylinder without a keyset cannot be rekeyed so.")
        dealt = [self.now(keyset) for keyset in own]
        for keyset in dealt:
            self._touch(keyset.system)
        self._count(number, line, dealt)
        return [Allotment(keyset, cylinder.is_nmk) for keyset, cylinder in zip(dealt, there, strict=True)]

    def now(self, old: Keyset) -> Keyset:
        """The keyset itself or, of those that the request replaces, the new one in its place, of the same master."""
        if old.symbol not in self.ask.replaced:
            return old
        if old.symbol not in self.instead:
            if old.system.records is not RecordsHolder.SHOP:
                raise LedgerError(
                    "keying",
                    f"The records of {old.system.name} are with the {old.system.records.value}: no keyset can be "
                    f"made here in place of {old.symbol}.",
                )
            master, under = (old.parent.symbol, Level.MASTER) if old.parent else ("", Level.SINGLE)
            crossed = self._crossed(old)
            [new] = add_keysets(self.work, old.system, 1, master, under=under, crossed=crossed)
            new.purpose = old.purpose
            self.instead[old.symbol] = new
            self._fresh.add(new)
        return self.instead[old.symbol]

    def _crossed(self, old: Keyset) -> list[list[Keyset]]:
        """What else operates the cylinders on `old` that are rekeyed, for each way, as far as it stays."""
        ids = [one for line in self.ask.lines for one in line.standing]
        rows = sa.select(CylinderOperator).join(Cylinder, Cylinder.id == CylinderOperator.cylinder_id)
        ways: dict[int, list[Keyset]] = {}
        for one in self.work.session.scalars(rows.where(Cylinder.keyset_id == old.id, Cylinder.id.in_(ids))):
            if one.keyset.symbol not in self.ask.replaced:
                ways.setdefault(one.cylinder_id, []).append(one.keyset)
        return list(ways.values())

    def _count(self, number: int, line: LineRequest, dealt: Sequence[Keyset]) -> None:
        cylinders = Counter(dealt)
        self.of_line[number] = list(cylinders)
        self.keys.update(dict(zip(cylinders, line.keys_by_keyset([*cylinders.values()]), strict=True)))

    def _touch(self, system: KeySystem) -> None:
        if system not in self.systems:
            self.systems.append(system)

    def _on_record(self, system: KeySystem, line: LineRequest, symbols: Sequence[str]) -> dict[str, Keyset]:
        """The keysets that the door list names of those that stood in the line's system before this job."""
        asked = self.ask.system
        if not any(symbols) or asked is None or asked.existing_id is None or not line.keying.kind.is_master_keyed:
            return {}
        found = {
            keyset.symbol: keyset
            for keyset in system.keysets
            if keyset.symbol in symbols and keyset.level is not Level.CONTROL and keyset not in self._fresh
        }
        require_not_retired(found.values(), "doors")
        return found

    def _system_of(self, number: int, line: LineRequest) -> KeySystem:
        """Where a line's cylinders go: the job's system, started at its first line, or the book of single keys."""
        attributes, asked = line.attributes, self.ask.system
        if attributes is None or not attributes.keyway or attributes.chambers is None:
            raise LedgerError("keyway", "To be keyed, a cylinder needs its keyway and its chambers.")
        keyway, chambers = attributes.keyway, attributes.chambers
        records = records_for(number, line, self._choices)
        if asked is not None and line.joins_system:
            system = self._system = self._system or self._start(asked, line, keyway, chambers, records)
        else:
            system = single_keyed_system(self.work, self.job.customer_id, keyway, chambers, records)
            if not any(keyset.level is Level.SINGLE for keyset in system.keysets):
                self.made.append(system)
        self._touch(system)
        return system

    def _start(
        self, asked: SystemRequest, line: LineRequest, keyway: str, chambers: int, records: RecordsHolder
    ) -> KeySystem:
        customer_id = self.job.customer_id
        if asked.existing_id is not None:
            system = get_system(self.work.session, asked.existing_id)
            if system.customer_id != customer_id:
                raise LedgerError("system", "This key system belongs to another customer.")
            return system
        per_master: Counter[str] = Counter()
        for other in self.ask.lines:
            if other.is_keyed and other.keying.kind.is_master_keyed:
                per_master[other.keying.master] += len(set_sizes(other.keying, other.quantity))
        system = insert_system(
            self.work,
            SystemForm(
                customer_id=customer_id,
                site_id=self.job.site_id,
                name=asked.name,
                levels=asked.levels_for(self.ask.lines),
                keyway=keyway,
                chambers=chambers,
                grands=asked.grands,
                masters=asked.masters,
                changes=max(per_master.values(), default=len(set_sizes(line.keying, line.quantity))),
                records=records,
            ),
        )
        self.made.append(system)
        return system


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


def _deal(number: int, places: Sequence[Keyset], symbols: Sequence[str]) -> list[Keyset]:
    """Each cylinder's keyset: the symbol asked for where one is, else the next that is left."""
    left = list(places)
    dealt: list[Keyset | None] = []
    problems: list[Problem] = []
    for row, symbol in enumerate(symbols, start=1):
        found = next((keyset for keyset in left if symbol and keyset.symbol == symbol), None)
        if found is not None:
            left.remove(found)
        elif symbol:
            problems.append(Problem("doors", f"Line {number}, cylinder {row}: {_why_not(symbol, places)}"))
        dealt.append(found)
    if problems:
        raise Problems(problems)
    return [keyset if keyset is not None else left.pop(0) for keyset in dealt]


def _why_not(symbol: str, places: Sequence[Keyset]) -> str:
    offered = Counter(keyset.symbol for keyset in places)
    if symbol in offered:
        held = f"of this line {symbol} has {offered[symbol]} of its cylinders."
        return f"keyset {symbol} is given out already; {held}"
    shown = ", ".join([*offered][:12]) + (" …" if len(offered) > 12 else "")
    return f"{symbol[:24]} is none of this line's keysets ({shown})."
