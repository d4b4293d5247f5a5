"""Which keys a line of keys sells: those of a keyset, of another line's cylinders, or copies of the customer's own.

The counter need not know the symbols that acceptance gives: `line 1` are the keysets of line 1's cylinders. What a
line leaves out is asked; only where the quote has just one keyset is it taken, and said.
"""

import re
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import replace

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError, Problem
from app.keying import change_symbol, single_symbol
from app.ledger.catalog.price_queries import KEY_CUT
from app.ledger.keysystems.control import CONTROL_SYMBOL, add_factory_control, lacks_factory_control
from app.ledger.keysystems.keysets import number_of
from app.ledger.keysystems.system_queries import get_system, operators_of
from app.ledger.quoting.allocation import KeysetAllotter, set_sizes
from app.ledger.quoting.request import LineRequest, QuoteRequest
from app.ledger.quoting.resolving import MOST, Resolved
from app.ledger.store.errors import LedgerError
from app.ledger.tables import (
    Cylinder,
    CylinderOperator,
    Job,
    JobLine,
    Keyset,
    KeySystem,
    Level,
    LineKind,
    RecordsHolder,
)

OWN = "own"
"""Copies of a key that the customer brings: no keyset of this house, so no key of its register."""

IS_OWN = sa.and_(JobLine.kind == LineKind.KEYS.value, JobLine.ask["symbol"].as_string() == OWN)
"""A job's lines of such copies: they are the only record of them, since no keyset is theirs."""

_LINE = re.compile(r"line\s*([1-9][0-9]{0,2})", re.IGNORECASE)


def line_named(symbol: str) -> int | None:
    """The number of the line whose cylinders the keys are for; None where a symbol says it, or nothing.

    >>> line_named("Line 2"), line_named("AA1")
    (2, None)
    """
    found = _LINE.fullmatch(symbol)
    return int(found[1]) if found else None


def own_copies(job: Job) -> tuple[tuple[str, int], ...]:
    """How many copies of the customer's own keys the bench cuts for an accepted job, by keyway."""
    counts = Counter[str]()
    for line in job.lines:
        if line.kind == LineKind.KEYS and line.ask.get("symbol") == OWN:
            counts[line.ask["attributes"]["keyway"]] += line.quantity
    return tuple(sorted(counts.items()))


def whose_keys(
    session: Session, ask: QuoteRequest, resolved: Sequence[Resolved | None]
) -> tuple[list[Resolved | None], list[Problem]]:
    """The lines with each key line's `symbol` settled and its words saying whose keys they are; the rest as it was.

    A line of which that cannot be known is asked on `lines.N.symbol`, or on the field that would tell; a line of
    cylinders on `keys_in_all`, where its keys cannot be shared out evenly among its keysets.
    """
    quote = _Quote(session, ask, [one.line if one else line for one, line in zip(resolved, ask.lines, strict=True)])
    found = list(resolved)
    problems = quote.uneven_keys()
    for place, one in enumerate(resolved):
        if one is not None and one.line.kind is LineKind.KEYS:
            try:
                found[place] = quote.settled(one)
            except BitternError as error:
                problems.append(Problem(f"lines.{place}.{error.field}", error.message))
    return found, problems


class _Quote:
    """What a quote's key lines can be for: `lines` as far as they are understood, else as typed."""

    def __init__(self, session: Session, ask: QuoteRequest, lines: Sequence[LineRequest]) -> None:
        self._session = session
        self._ask = ask
        keyed = self._keyed = {number: line for number, line in enumerate(lines, start=1) if line.is_keyed}
        # How many keysets a line's cylinders get; those that are rekeyed where they hang stay alike as they are.
        self._sets = {
            number: (line.standing and self._keysets_of(line.standing))
            or len(set_sizes(line.keying, min(line.quantity, MOST)))
            for number, line in keyed.items()
        }
        self._keyways = {number: line.attributes.keyway or "" for number, line in keyed.items() if line.attributes}
        existing = ask.system.existing_id if ask.system else None
        self._system = session.get(KeySystem, existing) if existing is not None else None
        is_mastered = any(line.keying.kind.is_master_keyed for line in keyed.values())
        self._begins = existing is None and (ask.system is not None or is_mastered)  # a new one, named or still to be

    def _keysets_of(self, cylinder_ids: Sequence[int]) -> int:
        distinct = sa.func.count(sa.distinct(Cylinder.keyset_id))
        return self._session.scalar(sa.select(distinct).where(Cylinder.id.in_(cylinder_ids))) or 0

    def uneven_keys(self) -> list[Problem]:
        """The lines of cylinders whose keys in all no two of their keysets could have equally many of."""
        return [
            Problem(f"lines.{number - 1}.keys_in_all", _share_out(number, sets))
            for number, line in self._keyed.items()
            if (sets := self._sets[number]) and (line.keys_in_all or 0) % sets
        ]

    def settled(self, found: Resolved) -> Resolved:
        """One key line, its symbol settled; BitternError on the field that has to say more."""
        line = found.line
        symbol, words, keyways = self._whose(line, found.words)
        typed = line.attributes.keyway if line.attributes else ""
        known = sorted(filter(None, keyways))
        if typed and known and typed not in known:
            told = f"These keys are on keyway {' or '.join(known)}, not {typed}: choose that, or leave it empty."
            raise BitternError("keyway", told)
        if line.price_code != KEY_CUT:  # a key of its own kind, such as a control key, keeps what it is called
            words = found.words if symbol == OWN else f"{found.words}: {words[0].lower()}{words[1:]}"
        elif typed:
            words += f", keyway {typed}"
        return replace(found, line=replace(line, symbol=symbol), words=words)

    def _whose(self, line: LineRequest, words: str) -> tuple[str, str, Collection[str]]:
        """The symbol that a line means, whose keys they are in words, and the keyways that they can be on."""
        symbol = line.symbol.strip() or self.only_one(words)
        if symbol.casefold() == OWN:
            if not (line.attributes and line.attributes.keyway):
                told = "Enter the keyway of the customer's key, so that it is known what is copied."
                raise BitternError("keyway", told)
            return OWN, "Keys cut to the customer's key", ()
        if (number := line_named(symbol)) is not None:
            return f"line {number}", self._of_line(number, line.quantity), [self._keyways.get(number, "")]
        symbol = self._spelled(symbol)
        of_quote = {*self._keyways.values(), self._system.keyway if self._system else ""}
        if symbol in self._ask.replaced:
            return symbol, f"Keys to the keyset in place of {symbol}", of_quote
        if self._may_be_made(symbol):
            return symbol, f"Keys to {symbol}", of_quote
        system = self._system_of(symbol)
        if system.records is RecordsHolder.FACTORY and not self._sets:
            raise _cut_at_factory(system)
        return symbol, f"Keys to {symbol} of {system.name}", [system.keyway]

    def only_one(self, words: str) -> str:
        """What a line that does not say whose keys it sells must mean; BitternError where it could mean several."""
        if re.search(r"\bcontrol keys?\b", words, re.IGNORECASE):
            return CONTROL_SYMBOL
        if not self._sets:
            return OWN
        if sum(self._sets.values()) == 1:
            return f"line {next(iter(self._sets))}"
        lines = ", ".join(f"line {number}" for number in self._sets)
        raise BitternError(
            "symbol",
            f"Say which keys these are: those of {lines}, a keyset such as AA for a master, or {OWN} for copies of "
            "the customer's own key.",
        )

    def _of_line(self, number: int, quantity: int) -> str:
        sets = self._sets.get(number)
        if not sets:
            raise BitternError("symbol", f"Line {number} has no cylinders that are keyed; name a line that has.")
        if quantity % sets:
            raise BitternError("quantity", _share_out(number, sets))
        return f"Further keys to line {number}" + (f", {quantity // sets} each of {sets:,} keysets" * (sets > 1))

    def _spelled(self, typed: str) -> str:
        """A symbol as it stands on record, whichever way its letters were typed; where it does not, in capitals."""
        rows = sa.select(Keyset.symbol).join(KeySystem).where(KeySystem.customer_id == self._ask.customer_id)
        alike = rows.where(sa.func.lower(Keyset.symbol) == typed.lower()).distinct()
        found = set(self._session.scalars(alike))
        if typed in found or len(found) > 1:
            return typed
        return found.pop() if found else typed.upper()

    def _may_be_made(self, symbol: str) -> bool:
        """Whether acceptance could make a keyset of this symbol, so that only trying it can tell if there is one."""
        if not self._sets:
            return False
        number = number_of(symbol)
        if self._begins or symbol in (CONTROL_SYMBOL, single_symbol(number)):
            return True
        masters = self._session.execute(
            sa.select(KeySystem.levels, Keyset.symbol)
            .join(Keyset, Keyset.system_id == KeySystem.id)
            .where(KeySystem.customer_id == self._ask.customer_id, Keyset.level == Level.MASTER)
        )
        return any(symbol == change_symbol(levels, master, number) for levels, master in masters)

    def _system_of(self, symbol: str) -> KeySystem:
        """The system on record that a symbol is of; LedgerError on `symbol` where there is none."""
        named, customer_id = self._system, self._ask.customer_id
        is_theirs = named is not None and named.customer_id == customer_id
        if symbol == CONTROL_SYMBOL and named and is_theirs and lacks_factory_control(named):
            return named  # acceptance gives it its symbol
        return _find_keyset(self._session, customer_id, [named.id] if named else [], symbol).system


def _share_out(number: int, sets: int) -> str:
    return (
        f"The cylinders of line {number} are on {sets:,} keysets: enter {sets:,} keys or a multiple of that, "
        "so that each gets as many."
    )


def keysets_sold(allotter: KeysetAllotter, number: int, words: str) -> list[Keyset]:
    """The keysets that key line `number` of an accepted quote is for, each for as many of its keys; LedgerError where
    there is none. [] for copies of the customer's own key, of which the job's line is the record.

    words: the line's, as quoted. Quotes of earlier releases did not ask whose keys they are.
    """
    work, job, ask = allotter.work, allotter.job, allotter.ask
    line = ask.lines[number - 1]
    try:
        symbol = line.symbol or _Quote(work.session, ask, ask.lines).only_one(words)
        if symbol == OWN:
            return []
        if (other := line_named(symbol)) is not None:
            keysets = allotter.of_line.get(other, [])
            if not keysets or line.quantity % len(keysets):
                told = (
                    f"{line.quantity:,} keys cannot be shared out among the {len(keysets):,} keysets of line {other}"
                )
                raise LedgerError("symbol", f"{told}: issue a revision that names the keysets.")
            return keysets
        if symbol in ask.replaced:
            if symbol not in allotter.instead:
                told = f"No cylinder of this quote is rekeyed from {symbol[:24]} any more: take its keys off too."
                raise LedgerError("symbol", told)
            return [allotter.instead[symbol]]
        system_ids = [system.id for system in allotter.systems]
        if ask.system and ask.system.existing_id:
            system_ids.append(ask.system.existing_id)
        if symbol == CONTROL_SYMBOL:
            for system_id in system_ids:
                add_factory_control(work, get_system(work.session, system_id))
        keyset = _find_keyset(work.session, job.customer_id, system_ids, symbol)
        _require_cut(work.session, job, keyset)
        return [keyset]
    except BitternError as error:
        words = error.message
        if not line.symbol:
            words += " Issue a revision that says it (Quote anew, on the job's page)."
        raise LedgerError(f"lines.{number - 1}.{error.field}", words) from error


def _require_cut(session: Session, job: Job, keyset: Keyset) -> None:
    """LedgerError where a factory holds the records and no order of the job, whose cylinders are flushed, asks it for
    keys of the keyset: an order names the keys that operate its cylinders, and control keys.
    """
    system = keyset.system
    if system.records is not RecordsHolder.FACTORY:
        return
    by_id = {one.id: one for one in system.keysets}
    rows = sa.select(Cylinder.keyset_id, Cylinder.is_nmk).where(Cylinder.job_id == job.id)
    sent = session.execute(rows.where(Cylinder.keyset_id.in_(by_id))).all()
    operating = {
        one.id for own, is_nmk in sent if own for one in operators_of(by_id[own], is_nmk=is_nmk, by_id=by_id)
    }
    crossed = sa.select(CylinderOperator.keyset_id).join(Cylinder).where(Cylinder.job_id == job.id)
    operating |= set(session.scalars(crossed))
    if keyset.id not in operating and not (sent and keyset.level is Level.CONTROL):
        raise _cut_at_factory(system)


def _cut_at_factory(system: KeySystem) -> LedgerError:
    return LedgerError("symbol", f"The records of {system.name} are with the factory: order these keys there.")


def _find_keyset(session: Session, customer_id: int, system_ids: Sequence[int], symbol: str) -> Keyset:
    """The one keyset of that symbol in these systems, or else in any of the customer's; LedgerError on `symbol`."""
    rows = (
        sa.select(Keyset)
        .join(KeySystem)
        .where(KeySystem.customer_id == customer_id, Keyset.symbol == symbol)
        .order_by(Keyset.id)
    )
    session.flush()
    here = session.scalars(rows.where(Keyset.system_id.in_(system_ids))).all() if system_ids else ()
    found = here or session.scalars(rows).all()
    if not found:
        raise LedgerError(
            "symbol", f"No keyset {symbol[:24]!r} is in this job's key system, or in one of this customer."
        )
    if len(found) > 1:
        names = " and ".join(dict.fromkeys(keyset.system.name for keyset in found[:6]))
        raise LedgerError("symbol", f"{symbol} is in {names}: choose the key system that is meant.")
    return found[0]
