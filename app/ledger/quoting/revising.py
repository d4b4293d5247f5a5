"""A quote's revisions side by side, and what the same request comes to at today's prices."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from datetime import date

from app.errors import Problem, Problems
from app.ledger.quoting.issuing import QUOTABLE, IssueForm, issue_quote, issued_from, next_snapshot
from app.ledger.quoting.lost_keys import as_still_said
from app.ledger.quoting.quoting import price_option, price_request
from app.ledger.quoting.request import QuoteRequest
from app.ledger.quoting.snapshot import QuoteSnapshot, read_snapshot
from app.ledger.store.errors import LedgerError, NotFound, Stale
from app.ledger.store.work import Work
from app.ledger.tables import Job, QuoteRevision, Role
from app.pricing import LineChange, LineStatus, compare_revisions, show_cents


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two quotes line by line. The changes' differences add up to the difference of the subtotals."""

    before: QuoteSnapshot
    after: QuoteSnapshot

    @property
    def changes(self) -> tuple[LineChange, ...]:
        """Every line, with what became of it."""
        before, after = ([line.priced for line in quote.lines] for quote in (self.before, self.after))
        return compare_revisions(before, after)

    @property
    def moved(self) -> tuple[LineChange, ...]:
        """The lines that are not the same on both sides."""
        return tuple(change for change in self.changes if change.status is not LineStatus.SAME)

    @property
    def sums(self) -> tuple[tuple[str, int, int], ...]:
        """Each sum's name and its cents before and after."""
        one, two = self.before.totals, self.after.totals
        return (
            ("Before tax", one.subtotal_cents, two.subtotal_cents),
            ("Sales tax", one.tax_cents, two.tax_cents),
            ("Total", one.total_cents, two.total_cents),
        )


@dataclass(frozen=True, slots=True)
class Requote:
    """A quote as it would be issued today. `problems`: what stands against it; `notes`: what was left out."""

    job: Job
    revision: QuoteRevision
    ask: QuoteRequest
    comparison: Comparison
    notes: tuple[str, ...]
    problems: tuple[Problem, ...]

    @property
    def mark(self) -> str:
        """Tells whether what was looked at is still what would be issued; 64 hex digits."""
        after, changes = self.comparison.after, self.comparison.changes
        other = after.option_b.totals.total_cents if after.option_b else None
        seen = (after.totals, after.ready_on, after.valid_until, after.where, other, changes)
        return hashlib.sha256(repr(seen).encode()).hexdigest()


def requote(work: Work, job: Job) -> Requote:
    """The newest revision's request at today's prices, beside what was quoted; nothing is saved.

    A day that has passed and an option that is no longer possible are left out, and said. Raises LedgerError
    on `stage` when the job can no longer be quoted, NotFound when it never was.
    """
    work.require(Role.COUNTER, Role.BENCH)
    if not job.revisions:
        raise NotFound("quote of this job")
    if job.stage not in QUOTABLE:
        raise LedgerError("stage", f"This job is {job.stage.word}: it can no longer be quoted anew. Start another.")
    revision = job.revisions[-1]
    quoted = read_snapshot(revision.snapshot)
    ask, notes = _without_past_days(as_still_said(work.session, QuoteRequest.from_json(quoted.ask)), work.today)
    notes += [
        f"Line {number} keeps the price that was typed for it, {show_cents(line.unit_cents)} each."
        for number, line in enumerate(ask.lines, start=1)
        if line.unit_cents is not None
    ]
    priced, other = price_request(work, ask), None
    try:
        other = price_option(work, ask, priced)
    except Problems:
        ask = replace(ask, option_b="")
        notes.append("Option B is no longer possible; it is quoted without it.")
    if quoted.where != priced.where:
        notes.append(f"It was {quoted.where}; today the figures say: {priced.where}.")
    comparison = Comparison(quoted, next_snapshot(work, job, priced, other))
    return Requote(job, revision, ask, comparison, tuple(notes), priced.problems)


def _without_past_days(ask: QuoteRequest, today: date) -> tuple[QuoteRequest, list[str]]:
    """The request without the days that have passed, and what to say of each."""
    notes = []
    if ask.need_by is not None and ask.need_by < today:
        ask = replace(ask, need_by=None)
        notes.append("The day on which it was needed has passed; it is quoted without one.")
    lines = list(ask.lines)
    for place, line in enumerate(lines):
        if line.need_by is not None and line.need_by < today:
            lines[place] = replace(line, need_by=None)
            notes.append(f"Line {place + 1}'s own day has passed; it is quoted without one.")
    return replace(ask, lines=tuple(lines)), notes


def keep_requote(work: Work, job: Job, token: str, version: int, shown: str = "") -> QuoteRevision:
    """Issue what `requote` shows as the next revision of a job read at `version`.

    The same token gives the same revision. shown: the `mark` of what was looked at, "" where nobody looked. Raises
    Problems, or Stale when somebody changed the job, or a price, in between.
    """
    today = requote(work, job)
    is_other = shown not in ("", today.mark) and version == job.version
    if is_other and issued_from(work.session, token) is None:
        raise Stale("The prices were changed since this page was made. Nothing was issued; look at it again.")
    return issue_quote(work, IssueForm(today.ask, token, job_id=job.id, job_version=version))
