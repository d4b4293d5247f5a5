"""Questions about the bench's day: which jobs wait, how long they take, and when the bench gets to them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.ledger.catalog.price_queries import bench_terms_on
from app.ledger.jobs.queries import days_late
from app.ledger.quoting.factory_keyed import sent_cylinders, sent_keysets
from app.ledger.quoting.key_lines import IS_OWN
from app.ledger.store.errors import NotFound
from app.ledger.tables import (
    Bitting,
    Cylinder,
    CylinderState,
    Job,
    JobLine,
    Key,
    Keyset,
    KeyState,
    KeySystem,
    RecordsHolder,
    Stage,
)
from app.pricing import BenchTerms, Urgency, add_working_days, done_on

BENCH_STAGES = (Stage.APPROVED, Stage.PARTS_ON_ORDER, Stage.ON_THE_BENCH)
_PAST = (Stage.CHECKED, Stage.READY, Stage.HANDED_OVER, Stage.CLOSED)
MOST_JOBS = 200  # beyond it nobody reads a day's work


@dataclass(frozen=True, slots=True)
class BenchRow:
    """One job that waits for the bench. `ready_on`: the working day on which its minutes are through."""

    job: Job
    late_days: int
    minutes: int  # still to do
    cylinders: int
    pinned: int  # pinned or checked already
    keys: int  # still to cut
    ready_on: date | None
    waits_for_key: bool = False  # of the customer, to be decoded

    @property
    def misses_promise(self) -> bool:
        """Whether the bench gets through it only after the day that was promised."""
        promised_on = self.job.promised_on
        return self.ready_on is not None and promised_on is not None and self.ready_on > promised_on


@dataclass(frozen=True, slots=True)
class BenchDay:
    """The bench's work by promise date. `minutes_per_day` is 0 where the house has no bench terms yet.

    `minutes` is of all jobs that wait, also of those beyond the list.
    """

    rows: tuple[BenchRow, ...]
    jobs: int
    minutes: int
    other_minutes: Fraction  # promised outside of any job on record
    minutes_per_day: Fraction

    @property
    def days(self) -> Fraction:
        """How many working days of the bench all of it fills; 0 where the house has no bench terms yet."""
        return (self.minutes + self.other_minutes) / self.minutes_per_day if self.minutes_per_day else Fraction(0)


def bench_day(session: Session, today: date) -> BenchDay:
    """Jobs with keying or keys of the shop's own, or copies of a customer's key, that are not through the bench, by
    promise; of those that are, the ones with keys still to cut. Whether copies are cut is on no record but the stage.

    Eight queries at most, and a few more for each job of which a factory keys something.
    """
    to_key = sa.and_(Job.stage.in_(BENCH_STAGES), Job.keyed_at.contains("shop"))
    beside = _keys_beside_a_factory(session)
    to_cut = sa.and_(_OPEN, ~_AT_FACTORY, _to_cut(Key.id).where(Key.job_id == Job.id).exists())
    copies = _copies(session)
    listed = [*copies, *(job_id for job_id, count in beside.items() if count)]
    waiting = sa.or_(to_key, to_cut, Job.id.in_(listed))
    terms = _terms(session, today)
    first = add_working_days(today, 0, terms.closed_days if terms else frozenset())
    due = sa.case((Job.promised_on < first, first), else_=Job.promised_on)  # what is late is due at once
    jobs = session.scalars(
        sa.select(Job)
        .where(waiting)
        .options(joinedload(Job.customer))
        .order_by(due.asc().nulls_last(), _TURN, Job.promised_on, Job.number)
        .limit(MOST_JOBS)
    ).all()
    count, minutes = session.execute(
        sa.select(
            sa.func.count(),
            sa.func.coalesce(sa.func.sum(sa.case((Job.stage.in_(BENCH_STAGES), Job.bench_minutes), else_=0)), 0),
        ).where(waiting)
    ).one()
    job_ids = [job.id for job in jobs]
    cylinders = _cylinders(session, job_ids)
    keys = _by_job(session, _to_cut(Key.job_id, sa.func.count()).where(Key.job_id.in_(job_ids)).group_by(Key.job_id))
    promised = terms.minutes_promised + terms.reserve_minutes_promised if terms else Fraction(0)
    other = max(promised - minutes, Fraction(0))
    rows = []
    before = other
    for job in jobs:
        minutes_left = job.bench_minutes if job.stage in BENCH_STAGES else 0
        before += minutes_left
        count_of_job, pinned, waiting_count = cylinders.get(job.id, (0, 0, 0))
        rows.append(
            BenchRow(
                job=job,
                late_days=days_late(job, today),
                minutes=minutes_left,
                cylinders=count_of_job - len(sent_cylinders(session, job)),
                pinned=pinned,
                keys=beside.get(job.id, keys.get(job.id, 0)) + copies.get(job.id, 0),
                ready_on=done_on(terms, today, before) if terms is not None else None,
                waits_for_key=bool(waiting_count) and job.stage in BENCH_STAGES,
            )
        )
    return BenchDay(tuple(rows), count, minutes, other, terms.minutes_per_day if terms else Fraction(0))


_TURN = sa.case({Urgency.WAITS.value: 0, Urgency.RUSH.value: 1}, value=Job.urgency, else_=2)
"""Of the jobs of one day first those that somebody waits for, then rush work."""
_OPEN = Job.stage.in_((*BENCH_STAGES, *_PAST))
_AT_FACTORY = Job.keyed_at.contains("factory")


def _to_cut(*columns: Any) -> sa.Select[*tuple[Any, ...]]:
    """Keys that are not cut yet, of jobs and none, but for those of systems whose records a factory holds."""
    return (
        sa.select(*columns)
        .select_from(Key)
        .join(Keyset, Keyset.id == Key.keyset_id)
        .join(KeySystem, KeySystem.id == Keyset.system_id)
        .where(Key.state == KeyState.ORDERED, KeySystem.records != RecordsHolder.FACTORY)
    )


def keys_of_no_job(session: Session) -> Sequence[tuple[KeySystem, int]]:
    """Key systems with keys to cut for no job, such as further copies, and how many, by name: one query."""
    rows = _to_cut(KeySystem, sa.func.count(Key.id)).where(Key.job_id.is_(None)).group_by(KeySystem.id)
    found = session.execute(rows.order_by(KeySystem.name, KeySystem.id).limit(MOST_JOBS))
    return [(system, count) for system, count in found]


def _keys_beside_a_factory(session: Session) -> dict[int, int]:
    """Job id → keys still to be cut here, of each job of which a factory keys something: it cuts its own."""
    rows = _to_cut(Job, Key.keyset_id, sa.func.count()).join(Job, Job.id == Key.job_id).where(_OPEN, _AT_FACTORY)
    found: dict[Job, dict[int, int]] = {}
    for job, keyset_id, count in session.execute(rows.group_by(Job.id, Key.keyset_id)):
        found.setdefault(job, {})[keyset_id] = count
    return {
        job.id: sum(count for keyset_id, count in counts.items() if keyset_id not in theirs)
        for job, counts in found.items()
        for theirs in [sent_keysets(session, job)]
    }


def _copies(session: Session) -> dict[int, int]:
    """Job id → copies of a customer's own keys, of each job that is not through the bench."""
    rows = sa.select(JobLine.job_id, sa.func.sum(JobLine.quantity)).join(Job).where(IS_OWN)
    return _by_job(session, rows.where(Job.stage.in_(BENCH_STAGES)).group_by(JobLine.job_id))


def _by_job(session: Session, rows: sa.Select[*tuple[Any, ...]]) -> dict[int, int]:
    return dict(session.execute(rows).all())


def _cylinders(session: Session, job_ids: Sequence[int]) -> dict[int, tuple[int, int, int]]:
    """Job id → how many of its cylinders are keyed, how many of those are pinned, and how many wait for the
    customer's key to be decoded.
    """
    through = Cylinder.state != CylinderState.ORDERED
    is_waiting = sa.and_(Keyset.is_customers_key, Bitting.id.is_(None))
    sums = (sa.func.sum(sa.case((condition, 1), else_=0)) for condition in (through, is_waiting))
    rows = (
        sa.select(Cylinder.job_id, sa.func.count(), *sums)
        .join(Keyset, Keyset.id == Cylinder.keyset_id)
        .outerjoin(Bitting, Bitting.keyset_id == Keyset.id)
        .where(Cylinder.job_id.in_(job_ids))
        .group_by(Cylinder.job_id)
    )
    return {row[0]: (row[1], row[2], row[3]) for row in session.execute(rows) if row[0] is not None}


def _terms(session: Session, today: date) -> BenchTerms | None:
    try:
        return bench_terms_on(session, today)
    except NotFound:
        return None
