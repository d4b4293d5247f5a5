"""What was promised for this week, beside the hours that the bench has."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.bench.bench_queries import BENCH_STAGES
from app.ledger.catalog.price_queries import bench_terms_on
from app.ledger.jobs.queries import days_late
from app.ledger.store.errors import NotFound
from app.ledger.tables import LATE_STAGES, Customer, Job, Stage
from app.pricing import BenchTerms, is_working_day

# A quote says when it would be ready if it were accepted today: that is no promise until somebody accepts.
_NO_PROMISE = (*(stage for stage in Stage if not stage.was_accepted), Stage.CANCELED)


@dataclass(frozen=True, slots=True)
class PromisedJob:
    """A job with a promise. `minutes`: of the shop's own bench; `still`: those that the bench has yet to do."""

    number: int
    customer_name: str
    title: str
    stage: Stage
    promised_on: date
    keyed_at: str
    minutes: int
    still: int
    value_cents: int
    late_days: int


@dataclass(frozen=True, slots=True)
class WeekDay:
    """One day's promises in bench minutes. `day` None: all that is overdue from before this week."""

    day: date | None
    jobs: int
    done: int
    still: int
    bench: Fraction  # minutes that the bench has on this day


@dataclass(frozen=True, slots=True)
class Week:
    """This week, Monday first; a Saturday or Sunday only where something was promised for it."""

    overdue: WeekDay
    days: tuple[WeekDay, ...]
    has_terms: bool

    @property
    def still(self) -> int:
        """Minutes that the bench has yet to do for this week's promises and the overdue ones."""
        return self.overdue.still + sum(day.still for day in self.days)

    @property
    def jobs(self) -> int:
        """How many jobs were promised for this week."""
        return sum(day.jobs for day in self.days)

    def left(self, today: date) -> Fraction:
        """Minutes that the bench has from today to the end of the week."""
        return sum((day.bench for day in self.days if day.day and day.day >= today), Fraction(0))


def promised_jobs(
    session: Session, today: date, day: date | None = None, *, is_overdue: bool = False
) -> tuple[PromisedJob, ...]:
    """Accepted jobs promised for a day (None: this whole week), or overdue from before it, by promise: one query."""
    monday = today - timedelta(days=today.weekday())
    first, last = (day, day) if day else (monday, monday + timedelta(days=6))
    condition: sa.ColumnElement[bool] = Job.promised_on.between(first, last)
    if is_overdue:
        condition = sa.and_(Job.promised_on < monday, Job.stage.in_(LATE_STAGES))
    rows = session.execute(
        sa.select(Job, Customer.name)
        .join(Customer, Customer.id == Job.customer_id)
        .where(condition, Job.stage.not_in(_NO_PROMISE))
        .order_by(Job.promised_on, Job.number)
    )
    return tuple(_promised(job, name, today) for job, name in rows)


def _promised(job: Job, customer_name: str, today: date) -> PromisedJob:
    minutes = job.bench_minutes if "shop" in job.keyed_at else 0
    still = minutes if job.stage in BENCH_STAGES else 0
    promised = job.promised_on or today
    return PromisedJob(
        job.number,
        customer_name,
        job.title,
        job.stage,
        promised,
        job.keyed_at,
        minutes,
        still,
        job.value_cents,
        days_late(job, today),
    )


def promised_week(session: Session, today: date) -> Week:
    """This week's promises by day against the bench's minutes: three queries."""
    jobs = promised_jobs(session, today)
    try:
        terms = bench_terms_on(session, today)
    except NotFound:
        terms = None
    monday = today - timedelta(days=today.weekday())
    days = [
        _day(monday + timedelta(days=n), [job for job in jobs if (job.promised_on - monday).days == n], terms)
        for n in range(7)
    ]
    overdue = promised_jobs(session, today, is_overdue=True)
    return Week(
        overdue=_day(None, overdue, None),
        days=tuple(day for n, day in enumerate(days) if n < 5 or day.jobs or day.bench),
        has_terms=terms is not None,
    )


def _day(day: date | None, jobs: Sequence[PromisedJob], terms: BenchTerms | None) -> WeekDay:
    is_open = day is not None and terms is not None and is_working_day(day, terms.closed_days)
    still = sum(job.still for job in jobs)
    done = sum(job.minutes for job in jobs) - still
    return WeekDay(day, len(jobs), done, still, terms.minutes_per_day if terms and is_open else Fraction(0))
