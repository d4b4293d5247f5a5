"""Which keyset each sold cylinder gets: alike in sets, different, under a master or single."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import sqlalchemy as sa

from app.errors import Problem, Problems
from app.ledger.keysystems.keysets import add_keysets
from app.ledger.keysystems.lost_keysets import require_not_retired
from app.ledger.keysystems.system_queries import get_system
from app.ledger.keysystems.systems import SystemForm, insert_system, single_keyed_system
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest
from app.ledger.quoting.snapshot import QuoteSnapshot
from app.ledger.quoting.system_fit import records_for, require_fit, require_levels, require_records
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderOperator, Job, Keyset, KeySystem, Level, RecordsHolder
from app.pricing import KeyingKind


@dataclass(frozen=True, slots=True)
class Allotment:
    """What one cylinder is keyed to (None: uncombinated), and whether no master operates it."""

    keyset: Keyset | None
    is_nmk: bool = False


class KeysetAllotter:
    """Gives the cylinders of a job their keysets, line by line, inside the caller's transaction.

    `systems`: every key system that was touched. `keys`: how many keys each keyset gets with its cylinders.
    `made`: those of them that this job begins.
    `of_line`: each line's keysets, once each, in the order in which its cylinders have them.
    `instead`: the new keysets by the symbols of those whose place they take. `at`: the number of the line that is
    being allotted, for whoever has to say which one was refused.
    """

    def __init__(self, work: Work, job: Job, ask: QuoteRequest, snapshot: QuoteSnapshot) -> None:
        self._work = work
        self._job = job
        self._ask = ask
        self._choices = snapshot.keying
        self._system: KeySystem | None = None
        self._fresh: set[Keyset] = set()  # what this job itself added: dealt line by line, and no further
        self.systems: list[KeySystem] = []
        self.made: list[KeySystem] = []
        self.keys: dict[Keyset, int] = {}
        self.of_line: dict[int, list[Keyset]] = {}
        self.instead: dict[str, Keyset] = {}
        self.at = 0

    def allot(self, number: int, line: LineRequest, symbols: Sequence[str]) -> list[Allotment]:
        """One allotment a cylinder of line `number`; `symbols` are those asked for in the door list ("" any).

        In a system on record the list may name keysets that stand there already: those doors are keyed to them.
        `(NMK)` after a symbol keeps the masters out of that cylinder.
        """
        self.at = number
        nmk = ["(NMK)" in symbol.upper() for symbol in symbols]
        symbols = [re.sub(r"\s*\(NMK\)\s*$", "", symbol, flags=re.IGNORECASE) for symbol in symbols]
        keying = line.keying
        if keying.kind is KeyingKind.NONE:
            if any(symbols):
                raise LedgerError("doors", f"Line {number} is uncombinated, but a keyset is given in the door list.")
            return [Allotment(None)] * line.quantity
        standing = self._standing(number, line, symbols)
        asked = [symbol for symbol in symbols if symbol not in standing]
        sizes = set_sizes(keying, len(asked)) if asked else []
        keysets = self._add_keysets(number, line, len(sizes)) if asked else []
        places = [keyset for keyset, size in zip(keysets, sizes, strict=True) for _ in range(size)]
        fresh = iter(_deal(number, places, asked))
        dealt = [standing[symbol] if symbol in standing else next(fresh) for symbol in symbols]
        self.of_line[number] = list(dict.fromkeys(dealt))
        for keyset in dealt:
            self.keys[keyset] = self.keys.get(keyset, 0) + line.keys_each
        return [Allotment(keyset, is_nmk) for keyset, is_nmk in zip(dealt, nmk, strict=True)]

    def rekey(self, number: int, line: LineRequest, there: Sequence[Cylinder]) -> list[Allotment]:
        """One allotment a cylinder that line `number` rekeys where it hangs: its own keyset, or what replaces it.

        Cylinders that were alike stay alike, masters and NMK as they were.
        """
        self.at = number
        dealt = []
        for cylinder in there:
            own = cylinder.keyset
            if own is None:
                raise LedgerError(f"line {number}: quantity", "A cylinder without a keyset cannot be rekeyed so.")
            keyset = self.now(number, own)
            if keyset.system not in self.systems:
                self.systems.append(keyset.system)
            self.keys[keyset] = self.keys.get(keyset, 0) + line.keys_each
            dealt.append(Allotment(keyset, cylinder.is_nmk))
        self.of_line[number] = list(dict.fromkeys(one.keyset for one in dealt if one.keyset is not None))
        return dealt

    def now(self, number: int, old: Keyset) -> Keyset:
        """The keyset itself or, of those that the request replaces, the new one in its place, of the same master."""
        if old.symbol not in self._ask.replaced:
            return old
        if old.symbol not in self.instead:
            if old.system.records is not RecordsHolder.SHOP:
                raise LedgerError(
                    f"line {number}: keying",
                    f"The records of {old.system.name} are with the {old.system.records.value}: no keyset can be "
                    f"made here in place of {old.symbol}.",
                )
            master, under = (old.parent.symbol, Level.MASTER) if old.parent else ("", Level.SINGLE)
            [self.instead[old.symbol]] = add_keysets(
                self._work, old.system, 1, master, under=under, crossed=self._crossed(old)
            )
            self.instead[old.symbol].purpose = old.purpose
            self._fresh.add(self.instead[old.symbol])
        return self.instead[old.symbol]

    def _crossed(self, old: Keyset) -> list[list[Keyset]]:
        """What else operates the cylinders on `old` that are rekeyed, for each way, as far as it stays."""
        ids = [one for line in self._ask.lines for one in line.standing]
        rows = sa.select(CylinderOperator).join(Cylinder, Cylinder.id == CylinderOperator.cylinder_id)
        ways: dict[int, list[Keyset]] = {}
        for one in self._work.session.scalars(rows.where(Cylinder.keyset_id == old.id, Cylinder.id.in_(ids))):
            if one.keyset.symbol not in self._ask.replaced:
                ways.setdefault(one.cylinder_id, []).append(one.keyset)
        return list(ways.values())

    def _standing(self, number: int, line: LineRequest, symbols: Sequence[str]) -> dict[str, Keyset]:
        """The keysets on record that the door list names, where the line goes into a system on record."""
        asked = self._ask.system
        if not any(symbols) or asked is None or asked.existing_id is None or not line.keying.kind.is_master_keyed:
            return {}
        system = self._master_keyed(number, line, records_for(number, line, self._choices), len(symbols))
        found = {
            keyset.symbol: keyset
            for keyset in system.keysets
            if keyset.symbol in symbols and keyset.level is not Level.CONTROL and keyset not in self._fresh
        }
        require_not_retired(found.values(), "doors")
        if found and system not in self.systems:
            self.systems.append(system)
        return found

    def _add_keysets(self, number: int, line: LineRequest, count: int) -> list[Keyset]:
        records = records_for(number, line, self._choices)
        if line.keying.kind.is_master_keyed:
            system = self._master_keyed(number, line, records, count)
            keysets = add_keysets(self._work, system, count, line.keying.master)
        elif line.keying.kind is KeyingKind.SKD and self._ask.system is not None:
            system = self._master_keyed(number, line, records, count)
            keysets = add_keysets(self._work, system, count, under=Level.SINGLE)
        else:
            keyway, chambers = _keyed_for(number, line)
            system = single_keyed_system(self._work, self._job.customer_id, keyway, chambers, records)
            if not any(keyset.level is Level.SINGLE for keyset in system.keysets):
                self.made.append(system)
            keysets = add_keysets(self._work, system, count)
        if system not in self.systems:
            self.systems.append(system)
        self._fresh.update(keysets)
        return keysets

    def _master_keyed(self, number: int, line: LineRequest, records: RecordsHolder, count: int) -> KeySystem:
        """The job's one master-keyed system: the existing one, or the new one, started at its first line."""
        keyway, chambers = _keyed_for(number, line)
        if self._system is None:
            self._system = self._start(number, line, records, count)
        system = self._system
        require_fit(f"line {number}: keyway", system.name, (system.keyway, system.chambers), (keyway, chambers))
        require_levels(f"line {number}: keying", system, line.keying)
        is_on_record = self._ask.system is not None and self._ask.system.existing_id is not None
        require_records(f"line {number}: keying", system.name, system.records, records, is_on_record=is_on_record)
        return system

    def _start(self, number: int, line: LineRequest, records: RecordsHolder, count: int) -> KeySystem:
        keyway, chambers = _keyed_for(number, line)
        asked = self._ask.system
        if asked is None:
            raise LedgerError("system", "Master-keyed lines need a key system: choose one or name a new one.")
        if asked.existing_id is not None:
            system = get_system(self._work.session, asked.existing_id)
            if system.customer_id != self._job.customer_id:
                raise LedgerError("system", "This key system belongs to another customer.")
            return system
        per_master: dict[str, int] = {}
        for other in self._ask.lines:
            if other.kind.is_keyed and other.keying.kind.is_master_keyed:
                sets = len(set_sizes(other.keying, other.quantity))
                per_master[other.keying.master] = per_master.get(other.keying.master, 0) + sets
        system = insert_system(
            self._work,
            SystemForm(
                customer_id=self._job.customer_id,
                site_id=self._job.site_id,
                name=asked.name,
                levels=asked.levels_for(self._ask.lines),
                keyway=keyway,
                chambers=chambers,
                grands=asked.grands,
                masters=asked.masters,
                changes=max(per_master.values(), default=count),
                records=records,
            ),
        )
        self.made.append(system)
        return system


def _keyed_for(number: int, line: LineRequest) -> tuple[str, int]:
    """The keyway and the chambers of a line's cylinders; LedgerError when the line does not say."""
    attributes = line.attributes
    if attributes is None or not attributes.keyway or attributes.chambers is None:
        raise LedgerError(f"line {number}: keyway", "To be keyed, a cylinder needs its keyway and its chambers.")
    return attributes.keyway, attributes.chambers


def set_sizes(keying: KeyingInstruction, quantity: int) -> list[int]:
    """How many cylinders each keyset of a line gets.

    >>> set_sizes(KeyingInstruction(KeyingKind.KA, 2), 5), set_sizes(KeyingInstruction(KeyingKind.KA), 3)
    ([2, 2, 1], [3])
    >>> set_sizes(KeyingInstruction(KeyingKind.MK), 3)
    [1, 1, 1]
    """
    if keying.kind is KeyingKind.KA and keying.set_size is None:
        return [quantity]
    size = keying.set_size or 1
    whole, rest = divmod(quantity, size)
    return [size] * whole + ([rest] if rest else [])


def _deal(number: int, places: list[Keyset], symbols: Sequence[str]) -> list[Keyset]:
    """Each cylinder's keyset: the symbol asked for where one is, else the next that is left."""
    left = list(places)
    dealt: list[Keyset | None] = []
    problems: list[Problem] = []
    offered = list(dict.fromkeys(keyset.symbol for keyset in places))
    for row, symbol in enumerate(symbols, start=1):
        found = next((keyset for keyset in left if symbol and keyset.symbol == symbol), None)
        if found is not None:
            left.remove(found)
        elif symbol and symbol in offered:
            problems.append(
                Problem(
                    "doors",
                    f"Line {number}, cylinder {row}: keyset {symbol} is given out already; of this line "
                    f"{symbol} has {sum(keyset.symbol == symbol for keyset in places)} of its cylinders.",
                )
            )
        elif symbol:
            shown = ", ".join(offered[:12]) + (" …" if len(offered) > 12 else "")
            problems.append(
                Problem(
                    "doors", f"Line {number}, cylinder {row}: {symbol[:24]} is none of this line's keysets ({shown})."
                )
            )
        dealt.append(found)
    if problems:
        raise Problems(problems)
    return [keyset if keyset is not None else left.pop(0) for keyset in dealt]
