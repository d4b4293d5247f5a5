"""Acceptance tried while a quote is issued, and undone: what it would refuse, no customer should have in hand.

The real thing is tried (`carry_out`), each option of the quote, in a savepoint that is rolled back: no number is used
up, no event, key or bitting stays, nothing is revealed. What a person can still bring is not asked: authority, names,
a deposit, and the door list. A list may name keysets that the system has already, so a system that cannot give new
ones does not stop a quote where it has others that wait for a door, or where it never gives any (no array).
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence
from dataclasses import replace

import sqlalchemy as sa

from app.errors import BitternError, Problem, Problems
from app.keying import NoBittingsLeft
from app.ledger.keysystems.auditing import StoppedByAudit
from app.ledger.keysystems.lost_keysets import is_retired
from app.ledger.quoting.accepting import AcceptForm, carry_out
from app.ledger.quoting.allocation import KeysetAllotter
from app.ledger.quoting.request import QuoteRequest
from app.ledger.quoting.snapshot import OPTIONS, QuoteSnapshot, as_accepted
from app.ledger.sites.door_paste import DoorRow
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Job, Key, Keyset, KeyState, KeySystem, Level, RecordsHolder

_HEAD = {"system": "system", "levels": "system_levels"}
_OF_LINE = ("quantity", "master", "keying", "type", "keyway", "chambers", "symbol")


def require_acceptable(work: Work, job: Job, snapshot: QuoteSnapshot) -> None:
    """Raise Problems, on the lines at fault, where the quote could not be accepted as either of its options.

    Inside the caller's transaction, all of it flushed; what the session holds is read anew afterwards.
    """
    problems: list[Problem] = []
    # Its own chance: a seeded house, as the demo's, draws afterwards what it would have drawn without the trial.
    trial = replace(work, rng=secrets.SystemRandom())
    for option in OPTIONS if snapshot.option_b else ("",):
        problem = _refusal(trial, job.id, as_accepted(snapshot, option))
        if problem is not None and option == "B":
            problem = Problem("option_b", f"Option B: {problem.message}")
        if problem is not None:
            problems.append(problem)
    if problems:
        raise Problems(problems)


def _refusal(work: Work, job_id: int, quote: QuoteSnapshot) -> Problem | None:
    """What acceptance would refuse of one option; None where it would not."""
    ask = QuoteRequest.from_json(quote.ask)
    named: dict[int, list[str]] = {}
    while (refused := _tried(work, job_id, ask, quote, _door_list(ask, named))) is not None:
        error, number, problem = refused
        on_record = [] if number in named else _to_be_named(work, ask, number, error, named)
        if not on_record:
            return problem
        named[number] = on_record
    return None


def _door_list(ask: QuoteRequest, named: Mapping[int, Sequence[str]]) -> list[str]:
    """The keysets named for lines, each at its line's first cylinders; "" for any."""
    listed: list[str] = []
    for number, line in enumerate(ask.lines, start=1):
        if line.kind.is_keyed and not line.standing:
            symbols = named.get(number, ())
            listed += [*symbols, *[""] * (line.quantity - len(symbols))]
    return listed


def _tried(
    work: Work, job_id: int, ask: QuoteRequest, quote: QuoteSnapshot, named: Sequence[str]
) -> tuple[BitternError, int, Problem] | None:
    """Carry the quote out and undo it. What was refused, at which line, and in the quote's own terms, if anything."""
    session = work.session
    undone = session.begin_nested()
    try:
        job = session.get_one(Job, job_id)
        allotter = KeysetAllotter(work, job, ask, quote.keying)
        doors = tuple(DoorRow(row=row, keyset=symbol) for row, symbol in enumerate(named, start=1))
        form = AcceptForm("nobody yet", work.today, job.version, doors=doors)
        try:
            carry_out(work, job, ask, quote, form, allotter)
        except BitternError as error:
            return error, allotter.at, _problem(error, allotter, ask)
        return None
    finally:
        undone.rollback()
        session.expire_all()  # a collection read meanwhile holds what is gone


def _problem(error: BitternError, allotter: KeysetAllotter, ask: QuoteRequest) -> Problem:
    """A refusal of the acceptance as one of the quote's."""
    if error.field.startswith("lines."):
        return Problem(error.field, error.message)
    begins = ask.system is not None and ask.system.existing_id is None
    if error.field in _HEAD and begins:
        return Problem(_HEAD[error.field], error.message)
    number, usual = allotter.at, "quantity" if isinstance(error, NoBittingsLeft) else "keying"
    if isinstance(error, StoppedByAudit):
        stopped = set(error.system_ids)
        found_at = (at for at, sets in allotter.of_line.items() if any(one.system_id in stopped for one in sets))
        number = next(found_at, number)
    field = error.field if error.field in _OF_LINE else usual
    return Problem(f"lines.{number - 1}.{field}" if number else error.field, error.message)


def _to_be_named(
    work: Work, ask: QuoteRequest, number: int, refused: BitternError, named: Mapping[int, Sequence[str]]
) -> list[str]:
    """The keysets that a door list could name for the line refused, beside those `named` for others; [] where
    no list could help.
    """
    if not number or ask.system is None or ask.system.existing_id is None:
        return []
    line, system = ask.lines[number - 1], work.session.get_one(KeySystem, ask.system.existing_id)
    if line.standing or not line.keying.kind.is_master_keyed or system.records is not RecordsHolder.SHOP:
        return []
    if system.sealed_plan is None:
        return _in_use(work, system)[:1] * line.quantity
    if not isinstance(refused, NoBittingsLeft):
        return []
    lacking, size = refused.asked - refused.left, line.keying.set_size or 1
    elsewhere = {symbol for symbols in named.values() for symbol in symbols}
    keyed = sa.select(Cylinder.keyset_id).where(Cylinder.keyset_id.is_not(None))
    waiting = [one for one in _in_use(work, system, Keyset.id.not_in(keyed)) if one not in elsewhere]
    if len(waiting) < lacking:
        return []
    return [symbol for symbol in waiting[:lacking] for _ in range(size)][: line.quantity]


def _in_use(work: Work, system: KeySystem, *conditions: sa.ColumnElement[bool]) -> list[str]:
    """The change keysets that a cylinder may be keyed to."""
    lost = sa.select(Key.keyset_id).where(Key.state == KeyState.LOST)
    rows = sa.select(Keyset).where(
        Keyset.system_id == system.id, Keyset.level == Level.CHANGE, Keyset.id.not_in(lost), *conditions
    )
    return [one.symbol for one in work.session.scalars(rows.order_by(Keyset.id)) if not is_retired(one)]
