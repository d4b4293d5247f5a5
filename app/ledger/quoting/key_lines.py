"""Which keys a line of keys sells: those of a keyset, of another line's cylinders, or copies of the customer's own.

The counter need not know the symbols that acceptance gives: `line 1` are the keysets of line 1's cylinders. What a
line leaves out is asked; only where the quote has just one keyset is it taken, and said.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError, Problem
from app.keying import single_symbol
from app.ledger.catalog.price_queries import KEY_CUT
from app.ledger.keysystems.control import CONTROL_SYMBOL, add_factory_control, lacks_factory_control
from app.ledger.keysystems.keysets import change_level_symbol, number_of
from app.ledger.keysystems.system_queries import get_system, operators_of
from app.ledger.quoting.allocation import KeysetAllotter, set_sizes
from app.ledger.quoting.request import LineRequest, QuoteRequest
from app.ledger.quoting.resolving import MOST, Resolved
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
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


@dataclass(frozen=True, slots=True)
class _Quote:
    """What a quote's key lines can be for. `sets`: line number → how many keysets its cylinders get.

    `system_id`: the key system on record that it names; `begins`: whether a new one is named, or still to be.
    `replaced`: symbols of keysets whose place new ones take. `keyways`: line number → the keyway of its cylinders.
    """

    session: Session
    customer_id: int
    system_id: int | None
    begins: bool
    sets: Mapping[int, int]
    replaced: Collection[str]
    keyways: Mapping[int, str]


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

    A line of which that cannot be known is asked on `lines.N.symbol`, or on the field that would tell.
    """
    lines = [one.line if one else line for one, line in zip(resolved, ask.lines, strict=True)]
    existing = ask.system.existing_id if ask.system else None
    is_mastered = any(line.is_keyed and line.keying.kind.is_master_keyed for line in lines)
    begins = existing is None and (ask.system is not None or is_mastered)
    keyways = {
        number: line.attributes.keyway
        for number, line in enumerate(lines, start=1)
        if line.is_keyed and line.attributes and line.attributes.keyway
    }
    quote = _Quote(session, ask.customer_id, existing, begins, _sets_of(session, lines), ask.replaced, keyways)
    found: list[Resolved | None] = []
    problems = []
    for place, one in enumerate(resolved):
        if one is None or one.line.kind is not LineKind.KEYS:
            found.append(one)
            continue
        try:
            found.append(_settled(quote, one))
        except BitternError as error:
            problems.append(Problem(f"lines.{place}.{error.field}", error.message))
            found.append(one)
    return found, problems


def _sets_of(session: Session, lines: Sequence[LineRequest]) -> dict[int, int]:
    """Line number → how many keysets its cylinders get; of a line not understood, what it says.

    Those that are rekeyed where they hang stay alike as they are.
    """
    return {
        number: (line.standing and _keysets_of(session, line.standing))
        or len(set_sizes(line.keying, min(line.quantity, MOST)))
        for number, line in enumerate(lines, start=1)
        if line.is_keyed
    }


def _keysets_of(session: Session, cylinder_ids: Sequence[int]) -> int:
    distinct = sa.func.count(sa.distinct(Cylinder.keyset_id))
    return session.scalar(sa.select(distinct).where(Cylinder.id.in_(cylinder_ids))) or 0


def _settled(quote: _Quote, found: Resolved) -> Resolved:
    """One key line, its symbol settled; BitternError on the field that has to say more."""
    line = found.line
    symbol = line.symbol.strip() or _only_one(quote.sets, found.words)
    number = line_named(symbol)
    if symbol.casefold() == OWN:
        if not (line.attributes and line.attributes.keyway):
            raise BitternError(
                "keyway", "Enter the keyway of the customer's key, so that it is known what is copied."
            )
        if line.price_code != KEY_CUT:
            return replace(found, line=replace(line, symbol=OWN))
        return _told(found, OWN, "Keys cut to the customer's key")
    if number is not None:
        words = _of_line(quote, number, line)
        _require_keyway(line, {quote.keyways.get(number, "")})
        return _told(found, f"line {number}", words)
    symbol = _spelled(quote, symbol)
    named = quote.session.get(KeySystem, quote.system_id) if quote.system_id is not None else None
    of_quote = {*quote.keyways.values(), named.keyway if named else ""}
    if symbol in quote.replaced:
        _require_keyway(line, of_quote)
        return _told(found, symbol, f"Keys to the keyset in place of {symbol}")
    told = f"Keys to {symbol}"
    if _may_be_made(quote, symbol):
        _require_keyway(line, of_quote)
    else:
        system = _system_of(quote, symbol)
        if system.records is RecordsHolder.FACTORY and not quote.sets:
            raise _cut_at_factory(system)
        _require_keyway(line, {system.keyway})
        told += f" of {system.name}"
    return _told(found, symbol, told)


def _require_keyway(line: LineRequest, keyways: Collection[str]) -> None:
    """BitternError where the line names another keyway than those that its keys can be on."""
    typed = line.attributes.keyway if line.attributes else ""
    known = sorted(filter(None, keyways))
    if typed and known and typed not in known:
        raise BitternError(
            "keyway", f"These keys are on keyway {' or '.join(known)}, not {typed}: choose that, or leave it empty."
        )


def _spelled(quote: _Quote, typed: str) -> str:
    """A symbol as it stands on record, whichever way its letters were typed; where it does not, in capitals."""
    rows = sa.select(Keyset.symbol).join(KeySystem).where(KeySystem.customer_id == quote.customer_id).distinct()
    alike = set(quote.session.scalars(rows.where(sa.func.lower(Keyset.symbol) == typed.lower())))
    if typed in alike or len(alike) > 1:
        return typed
    return alike.pop() if alike else typed.upper()


def _told(found: Resolved, symbol: str, words: str) -> Resolved:
    """The line with whose keys it sells; a key of its own kind, such as a control key, keeps what it is called."""
    line = replace(found.line, symbol=symbol)
    if line.price_code != KEY_CUT:
        words = f"{found.words}: {words[0].lower()}{words[1:]}"
    elif line.attributes and line.attributes.keyway:
        words += f", keyway {line.attributes.keyway}"
    return replace(found, line=line, words=words)


def _only_one(sets: Mapping[int, int], words: str) -> str:
    """What a line that does not say whose keys it sells must mean; BitternError where it could mean several."""
    if re.search(r"\bcontrol keys?\b", words, re.IGNORECASE):
        return CONTROL_SYMBOL
    if not sets:
        return OWN
    if sum(sets.values()) == 1:
        return f"line {next(iter(sets))}"
    lines = ", ".join(f"line {number}" for number in sets)
    raise BitternError(
        "symbol",
        f"Say which keys these are: those of {lines}, a keyset such as AA for a master, or {OWN} for copies of the "
        "customer's own key.",
    )


def _of_line(quote: _Quote, number: int, line: LineRequest) -> str:
    sets = quote.sets.get(number)
    if not sets:
        raise BitternError("symbol", f"Line {number} has no cylinders that are keyed; name a line that has.")
    if line.quantity % sets:
        raise BitternError(
            "quantity",
            f"The cylinders of line {number} are on {sets:,} keysets: enter {sets:,} keys or a multiple of that, so "
            "that each gets as many.",
        )
    return f"Further keys to line {number}" + (f", {line.quantity // sets} each of {sets:,} keysets" * (sets > 1))


def _may_be_made(quote: _Quote, symbol: str) -> bool:
    """Whether acceptance could make a keyset of this symbol, so that only trying it can tell whether there is one."""
    if not quote.sets:
        return False
    number = number_of(symbol)
    if quote.begins or symbol in (CONTROL_SYMBOL, single_symbol(number)):
        return True
    masters = quote.session.execute(
        sa.select(KeySystem.levels, Keyset.symbol)
        .join(Keyset, Keyset.system_id == KeySystem.id)
        .where(KeySystem.customer_id == quote.customer_id, Keyset.level == Level.MASTER)
    )
    return any(symbol == change_level_symbol(levels, master, number) for levels, master in masters)


def _system_of(quote: _Quote, symbol: str) -> KeySystem:
    """The system on record that a symbol is of; LedgerError on `symbol` where there is none."""
    named = quote.session.get(KeySystem, quote.system_id) if quote.system_id is not None else None
    if symbol == CONTROL_SYMBOL and named and named.customer_id == quote.customer_id and lacks_factory_control(named):
        return named  # acceptance gives it its symbol
    return find_keyset(quote.session, quote.customer_id, [named.id] if named else [], symbol).system


def keysets_sold(
    work: Work, job: Job, ask: QuoteRequest, number: int, words: str, allotter: KeysetAllotter
) -> list[Keyset]:
    """The keysets that key line `number` of an accepted quote is for, each for as many of its keys; LedgerError where
    there is none. [] for copies of the customer's own key, of which the job's line is the record.

    words: the line's, as quoted. Quotes of earlier releases did not ask whose keys they are.
    """
    line = ask.lines[number - 1]
    try:
        symbol = line.symbol or _only_one(_sets_of(work.session, ask.lines), words)
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
        keyset = find_keyset(work.session, job.customer_id, system_ids, symbol)
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


def find_keyset(session: Session, customer_id: int, system_ids: Sequence[int], symbol: str) -> Keyset:
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
