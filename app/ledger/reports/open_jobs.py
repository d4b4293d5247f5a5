"""Jobs by whose move it is, by what was promised for this week, what can be begun, and the load of the bench."""

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
from app.ledger.jobs.stages import BEFORE_BENCH
from app.ledger.stock.needs import open_needs
from app.ledger.store.errors import NotFound
from app.ledger.tables import LATE_STAGES, Customer, Cylinder, Event, Job, Maker, Need, Stage
from app.pricing import LoadDay, bench_load

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


def startable_jobs(session: Session, today: date) -> tuple[PromisedJob, ...]:
    """Accepted jobs that nobody has begun and whose parts are all there, by promise.

    What nobody counts is taken to be there where its catalog says so; a job that waits for parts, and says of none
    what it needs, waits on.
    """
    rows = session.execute(
        sa.select(Job, Customer.name)
        .join(Customer, Customer.id == Job.customer_id)
        .where(Job.stage.in_(BEFORE_BENCH))
        .order_by(Job.promised_on.asc().nulls_last(), Job.number)
    ).all()
    needs = open_needs(session, Need.job_id.in_([job.id for job, _ in rows])) if rows else []
    waiting = {state.need.job_id for state in needs if not state.can_start}
    known = {state.need.job_id for state in needs}
    return tuple(
        _promised(job, name, today)
        for job, name in rows
        if job.id not in waiting and (job.stage is Stage.APPROVED or job.id in known)
    )


def load_of_bench(session: Session, today: date) -> tuple[LoadDay, ...]:
    """What the bench has yet to do, by promise, against what it has on its next ten working days; () where the house
    has no bench terms yet.
    """
    try:
        terms = bench_terms_on(session, today)
    except NotFound:
        return ()
    rows = sa.select(Job.promised_on, sa.func.count(), sa.func.sum(Job.bench_minutes))
    rows = rows.where(Job.stage.in_(BENCH_STAGES), Job.bench_minutes > 0)
    found = session.execute(rows.group_by(Job.promised_on))
    due = {day: (count, Fraction(minutes)) for day, count, minutes in found if day is not None}
    besides = terms.minutes_promised + terms.reserve_minutes_promised - sum(minutes for _, minutes in due.values())
    return bench_load(terms, today, due, max(besides, Fraction(0)))
