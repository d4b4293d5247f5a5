"""Acceptance tried while a quote is issued, and undone: what it would refuse, no customer should have in hand.

The real thing is tried (`carry_out`), each option of the quote, in a savepoint that is rolled back: no number is used
up, no event, key or bitting stays, nothing is revealed. What a person can still bring is not asked: authority, names,
a deposit, and the door list. A list may name keysets that the system has already, so a system that cannot give new
ones does not stop a quote where it has others that wait for a door, or where it never gives any (no array).
"""

import secrets
from dataclasses import replace

import sqlalchemy as sa

from app.errors import BitternError, Problem, Problems
from app.keying import NoBittingsLeft
from app.ledger.keysystems.auditing import StoppedByAudit
from app.ledger.keysystems.lost_keysets import is_retired
from app.ledger.quoting.accepting import AcceptForm, carry_out
from app.ledger.quoting.allocation import KeysetAllotter
from app.ledger.quoting.request import LineRequest
from app.ledger.quoting.snapshot import OPTIONS, QuoteSnapshot, as_accepted
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


class _Trial(KeysetAllotter):
    """Where there are no new keysets for a line, it takes those that a door list could name instead."""

    def add(self, system: KeySystem, line: LineRequest, count: int) -> list[Keyset]:
        """So many keysets for a line's cylinders: new ones, and others of its system as far as those run out."""
        try:
            with self.work.session.begin_nested():
                return super().add(system, line, count)
        except BitternError as error:
            there = self._others(system, line, count, error)
            if not there:
                raise
        return [*there, *(super().add(system, line, count - len(there)) if len(there) < count else ())]

    def _others(self, system: KeySystem, line: LineRequest, count: int, refused: BitternError) -> list[Keyset]:
        is_on_record = system not in self.made and system.records is RecordsHolder.SHOP
        if not is_on_record or not line.keying.kind.is_master_keyed:
            return []
        if system.sealed_plan is None:
            return self._in_use(system)[:1] * count
        if not isinstance(refused, NoBittingsLeft):
            return []
        lacking = refused.asked - refused.left
        keyed = sa.select(Cylinder.keyset_id).where(Cylinder.keyset_id.is_not(None))
        waiting = [one for one in self._in_use(system, Keyset.id.not_in(keyed)) if one not in self.keys]
        return waiting[:lacking] if len(waiting) >= lacking else []

    def _in_use(self, system: KeySystem, *conditions: sa.ColumnElement[bool]) -> list[Keyset]:
        """The change keysets that a cylinder may be keyed to."""
        lost = sa.select(Key.keyset_id).where(Key.state == KeyState.LOST)
        rows = sa.select(Keyset).where(
            Keyset.system_id == system.id, Keyset.level == Level.CHANGE, Keyset.id.not_in(lost), *conditions
        )
        return [one for one in self.work.session.scalars(rows.order_by(Keyset.id)) if not is_retired(one)]


def _refusal(work: Work, job_id: int, quote: QuoteSnapshot) -> Problem | None:
    """What acceptance would refuse of one option, in the quote's own terms: it is carried out, and undone."""
    session = work.session
    undone = session.begin_nested()
    try:
        job = session.get_one(Job, job_id)
        trial = _Trial(work, job, quote)
        try:
            carry_out(trial, quote, AcceptForm("nobody yet", work.today, job.version))
        except BitternError as error:
            return _problem(error, trial)
        return None
    finally:
        undone.rollback()
        session.expire_all()  # a collection read meanwhile holds what is gone


def _problem(error: BitternError, allotter: KeysetAllotter) -> Problem:
    """A refusal of the acceptance as one of the quote's."""
    if error.field.startswith("lines."):
        return Problem(error.field, error.message)
    asked = allotter.ask.system
    begins = asked is not None and asked.existing_id is None
    if error.field in _HEAD and begins:
        return Problem(_HEAD[error.field], error.message)
    number, usual = allotter.at, "quantity" if isinstance(error, NoBittingsLeft) else "keying"
    if isinstance(error, StoppedByAudit):
        stopped = set(error.system_ids)
        found_at = (at for at, sets in allotter.of_line.items() if any(one.system_id in stopped for one in sets))
        number = next(found_at, number)
    field = error.field if error.field in _OF_LINE else usual
    return Problem(f"lines.{number - 1}.{field}" if number else error.field, error.message)
