"""Which keys a line of keys sells: those of a keyset, of another line's cylinders, or copies of the customer's own.

The counter need not know the symbols that acceptance gives: `line 1` are the keysets of line 1's cylinders, `masters`
and `grands` all of that level, `control line 1` is the control key of the system that line 1's cores go into. What a
line leaves out is asked; only where the quote has just one keyset is it taken, and said.
"""

import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError, Problem
from app.keying import change_symbol, single_symbol
from app.ledger.catalog.price_queries import KEY_CUT
from app.ledger.keysystems.control import CONTROL_SYMBOL, lacks_factory_control
from app.ledger.keysystems.keysets import number_of
from app.ledger.keysystems.system_queries import sections_of
from app.ledger.quoting.allocation import set_sizes
from app.ledger.quoting.loss_lines import PlanOfQuote, name_new_keys, new_keys_named
from app.ledger.quoting.request import LineRequest, QuoteRequest
from app.ledger.quoting.resolving import MOST, Resolved
from app.ledger.store.errors import LedgerError
from app.ledger.tables import (
    Cylinder,
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

_LEVEL = re.compile(
    r"(?P<all>(?:all|each|every)\s+)?(?:(?P<great>(?:great\s+){0,4})(?P<grand>grand)s?(?:\s+masters?)?|masters?)",
    re.IGNORECASE,
)
_CONTROL = re.compile(r"control(?:\s+keys?)?(?:\s+of)?\s+line\s*([1-9][0-9]{0,2})", re.IGNORECASE)
_LINE = re.compile(r"line\s*([1-9][0-9]{0,2})", re.IGNORECASE)


def line_named(symbol: str) -> int | None:
    """The number of the line whose cylinders the keys are for; None where a symbol says it, or nothing.

    >>> line_named("Line 2"), line_named("AA1")
    (2, None)
    """
    found = _LINE.fullmatch(symbol)
    return int(found[1]) if found else None


def level_named(symbol: str) -> Level | None:
    """The level of which every master gets keys; None where a symbol says whose they are.

    >>> level_named("each master"), level_named("Grands"), level_named("AA")
    (<Level.MASTER: 'master'>, <Level.GRAND: 'grand master'>, None)
    """
    found = _LEVEL.fullmatch(symbol.strip())
    if found is None or not (found["all"] or symbol.strip().lower().endswith("s")):
        return None
    return Level(("great " * len((found["great"] or "").split()) + "grand ") * bool(found["grand"]) + "master")


def control_named(symbol: str) -> int | None:
    """The number of the line whose cores the control key is for; None where the symbol says none.

    >>> control_named("control key line 2"), control_named("CONTROL")
    (2, None)
    """
    found = _CONTROL.fullmatch(symbol.strip())
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
        for number, line in keyed.items():
            if line.keying.alike_with:
                self._sets[number] = self._sets.get(ask.source_of(number), 1)
        self._keyways = {number: line.attributes.keyway or "" for number, line in keyed.items() if line.attributes}
        self._for_loss = PlanOfQuote.of(session, ask)
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
            raise on_other_keyway(known, typed)
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
        of_quote = {*self._keyways.values(), *(sections_of(self._system) if self._system else ())}
        if (level := level_named(symbol)) is not None:
            return f"{level.value.removesuffix(' master')}s", f"Keys to each {level.value}", of_quote
        if (number := control_named(symbol)) is not None:
            told = f"Control keys to the cores of line {number}"
            return f"{CONTROL_SYMBOL} line {number}", told, [self._keyways.get(number, "")]
        if (level := new_keys_named(symbol)) is not None and self._for_loss is not None:
            return name_new_keys(level), self._for_loss.words_of_keys(level, line.quantity), of_quote
        symbol = self._spelled(symbol)
        if symbol in self._ask.replaced and self._for_loss is None:
            return symbol, f"Keys to the keyset in place of {symbol}", of_quote
        if self._may_be_made(symbol):
            return symbol, f"Keys to {symbol}", of_quote
        system = self._system_of(symbol)
        if system.records is RecordsHolder.FACTORY and not self._sets:
            raise cut_at_factory(system.name)
        return symbol, f"Keys to {symbol} of {system.name}", sections_of(system)

    def only_one(self, words: str) -> str:
        """What a line that does not say whose keys it sells must mean; BitternError where it could mean several."""
        if re.search(r"\bcontrol keys?\b", words, re.IGNORECASE):
            return CONTROL_SYMBOL
        if not self._sets:
            return OWN
        own = [number for number, line in self._keyed.items() if not line.keying.alike_with]
        if sum(self._sets[number] for number in own) == 1:
            return f"line {own[0]}"
        lines = ", ".join(f"line {number}" for number in self._sets)
        raise BitternError(
            "symbol",
            f"Say which keys these are: those of {lines}, a keyset such as AA for a master, all masters, or "
            f"{OWN} for copies of the customer's own key.",
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
        """Whether acceptance could make a keyset of this symbol, so that only the plan can tell if there is one."""
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
        if named and is_theirs and any(one.symbol == symbol for one in named.keysets):
            return named
        return system_of_symbol(self._session, customer_id, symbol)


def _share_out(number: int, sets: int) -> str:
    return (
        f"The cylinders of line {number} are on {sets:,} keysets: enter {sets:,} keys or a multiple of that, "
        "so that each gets as many."
    )


def settled_symbols(
    session: Session, ask: QuoteRequest, words: Mapping[int, str]
) -> tuple[QuoteRequest, list[Problem]]:
    """A request as it was quoted, each key line's symbol settled: quotes of earlier releases did not ask for it.

    words: by line number, as quoted.
    """
    lines, problems = list(ask.lines), []
    for number, line in enumerate(ask.lines, start=1):
        if line.kind is LineKind.KEYS and not line.symbol:
            try:
                lines[number - 1] = replace(line, symbol=_Quote(session, ask, ask.lines).only_one(words[number]))
            except BitternError as error:
                told = f"{error.message} Issue a revision that says it (Quote anew, on the job's page)."
                problems.append(Problem(f"lines.{number - 1}.{error.field}", told))
    return replace(ask, lines=tuple(lines)), problems


def on_other_keyway(known: Sequence[str], typed: str) -> BitternError:
    """Why keys that are on `known` keyways are not sold as on another."""
    told = f"These keys are on keyway {' or '.join(known)}, not {typed}: choose that, or leave it empty."
    return BitternError("keyway", told)


def cut_at_factory(name: str) -> LedgerError:
    """Why keys of a system whose records the factory holds are not sold alone."""
    return LedgerError("symbol", f"The records of {name} are with the factory: order these keys there.")


def system_of_symbol(session: Session, customer_id: int, symbol: str, names: Sequence[str] = ()) -> KeySystem:
    """The one system of a customer with a keyset of that symbol, of `names` where those are given; LedgerError on
    `symbol` where there is none, or several.
    """
    rows = sa.select(KeySystem).join(Keyset).where(KeySystem.customer_id == customer_id, Keyset.symbol == symbol)
    found = session.scalars(rows.order_by(Keyset.id)).all()
    named = [*names] or [system.name for system in found]
    if not named:
        raise LedgerError(
            "symbol", f"No keyset {symbol[:24]!r} is in this job's key system, or in one of this customer."
        )
    if len(named) > 1:
        raise LedgerError("symbol", f"{symbol} is in {' and '.join(named[:6])}: choose the key system that is meant.")
    return found[0]
