"""Jobs by whose move it is, by what was promised for this week, and by what is still owed for them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from fractions import Fraction

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.bench.bench_queries import BENCH_STAGES
from app.ledger.catalog.price_queries import bench_terms_on
from app.ledger.jobs.queries import OPEN, days_late
from app.ledger.store.errors import NotFound
from app.ledger.tables import LATE_STAGES, Customer, Cylinder, Event, Job, Maker, Stage
from app.pricing import BenchTerms, is_working_day

_MOVING_EVENTS = ("job opened", "quote issued", "quote accepted", "stage moved")


class Whom(StrEnum):
    """Whose move it is."""

    COUNTER = "the counter"
    CUSTOMER = "the customer"
    MAKER = "the maker"
    BENCH = "the bench"


WAITS_ON: dict[Stage, tuple[Whom, str]] = {
    Stage.ASKED: (Whom.COUNTER, "to quote it"),
    Stage.QUOTED: (Whom.CUSTOMER, "to say yes or no"),
    Stage.APPROVED: (Whom.COUNTER, "to order parts or hand it to the bench"),
    Stage.PARTS_ON_ORDER: (Whom.MAKER, "to send the parts"),
    Stage.ON_THE_BENCH: (Whom.BENCH, "to key and check it"),
    Stage.CHECKED: (Whom.COUNTER, "to make it ready"),
    Stage.READY: (Whom.CUSTOMER, "to pick it up"),
    Stage.HANDED_OVER: (Whom.COUNTER, "to close it"),
}


@dataclass(frozen=True, slots=True)
class Waiting:
    """An open job and whose move it is. `makers`: whose parts are awaited. `days`: since the last move."""

    number: int
    customer_name: str
    title: str
    stage: Stage
    promised_on: date | None
    value_cents: int
    since: date
    days: int
    makers: tuple[str, ...] = ()

    @property
    def whom(self) -> Whom:
        """Who has the next move."""
        return WAITS_ON[self.stage][0]

    @property
    def to_do(self) -> str:
        """What that move is."""
        return WAITS_ON[self.stage][1]


def count_waiting(session: Session) -> dict[Whom, tuple[int, int]]:
    """How many open jobs wait on each, and what they are worth in cents; in one query."""
    rows = session.execute(
        sa.select(Job.stage, sa.func.count(), sa.func.sum(Job.value_cents))
        .where(Job.stage.in_(OPEN))
        .group_by(Job.stage)
    )
    found = dict.fromkeys(Whom, (0, 0))
    for stage, jobs, cents in rows:
        whom = WAITS_ON[stage][0]
        found[whom] = (found[whom][0] + jobs, found[whom][1] + cents)
    return found


def waiting_jobs(session: Session, today: date, whom: Whom | None = None, limit: int = 500) -> tuple[Waiting, ...]:
    """Open jobs that wait on `whom` (None: anybody), the longest first: two queries, however many jobs."""
    stages = [stage for stage in OPEN if whom in (None, WAITS_ON[stage][0])]
    moved = (
        sa.select(sa.func.max(Event.at))
        .where(Event.job_id == Job.id, Event.kind.in_(_MOVING_EVENTS))
        .scalar_subquery()
    ).label("moved")
    rows = session.execute(
        sa.select(
            Job.id,
            Job.number,
            Customer.name,
            Job.title,
            Job.stage,
            Job.promised_on,
            Job.value_cents,
            Job.asked_on,
            moved,
        )
        .join(Customer, Customer.id == Job.customer_id)
        .where(Job.stage.in_(stages))
        .order_by(moved.asc().nulls_first(), Job.number)
        .limit(limit)
    ).all()
    makers = _makers(session, [row.id for row in rows if row.stage is Stage.PARTS_ON_ORDER])
    found = []
    for row in rows:
        since = row.moved.astimezone().date() if isinstance(row.moved, datetime) else row.asked_on
        found.append(Waiting(*row[1:7], since, max((today - since).days, 0), makers.get(row.id, ())))
    return tuple(found)


def _makers(session: Session, job_ids: Sequence[int]) -> dict[int, tuple[str, ...]]:
    rows = session.execute(
        sa.select(Cylinder.job_id, Maker.name)
        .join(Maker, Maker.id == Cylinder.maker_id)
        .where(Cylinder.job_id.in_(job_ids))
        .distinct()
        .order_by(Maker.name)
    )
    found: dict[int, tuple[str, ...]] = {}
    for job_id, name in rows:
        if job_id is not None:
            found[job_id] = (*found.get(job_id, ()), name)
    return found


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
