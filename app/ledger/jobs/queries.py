"""Questions about jobs: the ledger page, one job with its parts, and its money."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased, defer, joinedload
from sqlalchemy.orm.attributes import set_committed_value

from app.ledger.search.words import holds
from app.ledger.store.engine import place_of_page, read
from app.ledger.store.errors import NotFound
from app.ledger.store.numbers import read_number
from app.ledger.tables import (
    LATE_STAGES,
    Customer,
    Job,
    JobLine,
    Payment,
    QuoteRevision,
    Site,
    Stage,
    User,
)
from app.pricing import half_up, show_cents

OVER = (Stage.CLOSED, Stage.LOST, Stage.CANCELED)
OPEN = tuple(stage for stage in Stage if stage not in OVER)


@dataclass(frozen=True, slots=True)
class LedgerQuestion:
    """Which jobs are wanted: any stage (None) or one; text in number, title, customer, site or order number."""

    text: str = ""
    stage: Stage | None = None
    is_late: bool = False
    with_over: bool = False  # closed, lost and canceled jobs too

    @property
    def includes_over(self) -> bool:
        """Whether jobs whose story is over belong to the answer."""
        return self.with_over or self.stage in OVER


@dataclass(frozen=True, slots=True)
class LedgerRow:
    """One job on the ledger page. Cents before tax; `late_days` is 0 when it is not late."""

    number: int
    customer_name: str
    site_name: str
    title: str
    stage: Stage
    promised_on: date | None
    need_by: date | None
    keyed_at: str
    value_cents: int
    cost_cents: int
    late_days: int

    @property
    def margin(self) -> str:
        """The margin in whole percent, "" where nothing is charged."""
        return show_margin(self.value_cents, self.cost_cents)


@dataclass(frozen=True, slots=True)
class StageCount:
    """How many jobs stand in a stage, and what they are worth."""

    stage: Stage
    jobs: int
    late: int
    value_cents: int
    cost_cents: int


@dataclass(frozen=True, slots=True)
class LedgerPage:
    """One page of the ledger. `stages` counts the other stages too; totals are of the whole answer."""

    rows: tuple[LedgerRow, ...]
    stages: tuple[StageCount, ...]
    jobs: int
    late: int
    value_cents: int
    cost_cents: int
    page: int
    pages: int

    @property
    def margin(self) -> str:
        """The margin of the whole answer in whole percent, "" where nothing is charged."""
        return show_margin(self.value_cents, self.cost_cents)


def days_late(job: Job | sa.Row[*tuple[Any, ...]], today: date) -> int:
    """How many days the promise is overdue; 0 when it is not, or when nothing is promised any more."""
    if job.promised_on is None or job.stage not in LATE_STAGES:
        return 0
    return max((today - job.promised_on).days, 0)


def show_margin(value_cents: int, cost_cents: int) -> str:
    """The margin on the price in whole percent, half up; "" where nothing is charged.

    >>> show_margin(20000, 15000), show_margin(0, 500), show_margin(10000, 12550)
    ('25 %', '', '−26 %')
    """
    if value_cents <= 0:
        return ""
    percent = half_up(Fraction(100 * (value_cents - cost_cents), value_cents))
    return f"{'−' if percent < 0 else ''}{abs(percent)} %"


def ledger_page(session: Session, today: date, question: LedgerQuestion, page: int = 1, size: int = 50) -> LedgerPage:
    """The jobs asked for, late ones first, then by promise, need-by and number: two queries, however many jobs."""
    late = sa.and_(Job.promised_on < today, Job.stage.in_(LATE_STAGES))
    stages = _stage_counts(session, question, late)
    counted = [count for count in stages if question.stage in (None, count.stage)]
    late_count = sum(count.late for count in counted)
    jobs = late_count if question.is_late else sum(count.jobs for count in counted)
    page, pages = place_of_page(jobs, page, size)
    order = (
        sa.case((late, 0), else_=1),
        Job.promised_on.asc().nulls_last(),
        Job.need_by.asc().nulls_last(),
        Job.number,
    )
    wanted = _asked(sa.select(Job.id), question)
    if question.stage is not None:
        wanted = wanted.where(Job.stage == question.stage)
    if question.is_late:
        wanted = wanted.where(late)
    # The page's jobs are chosen out of the index alone; only then are names looked up for them.
    shown = wanted.order_by(*order).limit(size).offset((page - 1) * size).subquery()
    found = read(session, _joined(_COLUMNS).join(shown, shown.c.id == Job.id).order_by(*order))
    return LedgerPage(
        rows=tuple(LedgerRow(**row._mapping, late_days=days_late(row, today)) for row in found),
        stages=stages,
        jobs=jobs,
        late=late_count,
        value_cents=sum(count.value_cents for count in counted),
        cost_cents=sum(count.cost_cents for count in counted),
        page=page,
        pages=pages,
    )


_Rows = sa.Select[*tuple[Any, ...]]
_COLUMNS = sa.select(
    Job.number,
    Customer.name.label("customer_name"),
    sa.func.coalesce(Site.name, "").label("site_name"),
    *(Job.title, Job.stage, Job.promised_on, Job.need_by, Job.keyed_at, Job.value_cents, Job.cost_cents),
)


def _joined(rows: _Rows) -> _Rows:
    rows = rows.select_from(Job).join(Customer, Customer.id == Job.customer_id)
    return rows.outerjoin(Site, Site.id == Job.site_id)


def _asked(rows: _Rows, question: LedgerQuestion) -> _Rows:
    """Open jobs alone unless the question includes the others, and under its text."""
    if not question.includes_over:
        rows = rows.where(Job.stage.in_(OPEN))  # said so that the index by stage answers
    text = question.text.strip()
    if not text:  # then no other table is needed, which tells on a long record
        return rows
    conditions = [holds(column, text) for column in (Job.title, Customer.name, Site.name, Job.po_number)]
    if (asked := read_number(text)) and asked.of_job is not None:
        conditions.append(Job.number == asked.of_job)
    return _joined(rows.where(sa.or_(*conditions)))


def _stage_counts(session: Session, question: LedgerQuestion, late: sa.ColumnElement[bool]) -> tuple[StageCount, ...]:
    rows = _asked(
        sa.select(
            Job.stage,
            sa.func.count(),
            sa.func.sum(sa.case((late, 1), else_=0)),
            sa.func.sum(Job.value_cents),
            sa.func.sum(Job.cost_cents),
        ),
        question,
    ).group_by(Job.stage)
    found = {row[0]: StageCount(*row) for row in read(session, rows)}
    return tuple(found[stage] for stage in Stage if stage in found)


def get_job(session: Session, number: int) -> Job:
    """A job by its number with customer, site, lines, revisions (without their snapshots) and payments."""
    job = session.scalar(_JOB, {"number": number})
    if job is None:
        raise NotFound("job")
    unloaded = sa.inspect(job).unloaded
    for name, rows in _PARTS.items():
        if name in unloaded:
            set_committed_value(job, name, session.scalars(rows, {"job": job.id}).all())
    return job


# Built once: these take longer to make than to answer, and so does a relationship's own loader.
_JOB = (
    sa.select(Job)
    .where(Job.number == sa.bindparam("number"))
    .options(joinedload(Job.customer, innerjoin=True), joinedload(Job.site))
)
_PARTS: Mapping[str, sa.Select[Any]] = {
    "lines": sa.select(JobLine).where(JobLine.job_id == sa.bindparam("job")).order_by(JobLine.number),
    "revisions": sa.select(QuoteRevision)
    .where(QuoteRevision.job_id == sa.bindparam("job"))
    .options(defer(QuoteRevision.snapshot), joinedload(QuoteRevision.issued_by, innerjoin=True).load_only(User.name))
    .order_by(QuoteRevision.revision),
    "payments": sa.select(Payment).where(Payment.job_id == sa.bindparam("job")).order_by(Payment.id),
}


@dataclass(frozen=True, slots=True)
class JobMoney:
    """What is to be paid for a job, tax included, and what has been. Nothing is due before a quote.

    deposit_cents: what is asked before the work begins, 0 where nothing is. put_on_account_cents: what the customer
    was let have on account; it is not paid by that.
    """

    total_cents: int
    paid_cents: int
    deposit_cents: int = 0
    put_on_account_cents: int = 0

    @property
    def balance_cents(self) -> int:
        """What is still to be paid; negative when too much was."""
        return self.total_cents - self.paid_cents

    @property
    def on_account_cents(self) -> int:
        """How much of what is still to be paid stands on account."""
        return max(0, min(self.balance_cents, self.put_on_account_cents))

    @property
    def deposit_left_cents(self) -> int:
        """What is still missing of the deposit."""
        return max(0, self.deposit_cents - self.paid_cents)

    @property
    def deposit_missing(self) -> str:
        """The same in a sentence, for whoever starts the work; "" where nothing is missing.

        >>> JobMoney(200_00, 30_00, 100_00).deposit_missing
        '$70.00 of the deposit of $100.00 is not paid yet.'
        """
        if not self.deposit_left_cents:
            return ""
        left, asked = show_cents(self.deposit_left_cents), show_cents(self.deposit_cents)
        return f"{left} of the deposit of {asked} is not paid yet."


def job_money(job: Job) -> JobMoney:
    """From what was agreed, else the newest revision, and the payments that `get_job` has loaded."""
    total = job.revisions[-1].total_cents if job.revisions else 0
    payments: Sequence[Payment] = job.payments
    return JobMoney(
        total if job.agreed_cents is None else job.agreed_cents,
        sum(payment.received_cents for payment in payments),
        job.deposit_cents,
        sum(payment.cents for payment in payments if payment.is_on_account),
    )


def newest_revision() -> sa.ScalarSelect[int]:
    """In a query of jobs: the number of each one's newest quote revision."""
    other = aliased(QuoteRevision)
    return sa.select(sa.func.max(other.revision)).where(other.job_id == Job.id).scalar_subquery()


def newest_revision_number(session: Session, job_id: int) -> int:
    """The number of the job's newest quote revision; 0 where it was never quoted."""
    return session.scalar(sa.select(sa.func.max(QuoteRevision.revision)).where(QuoteRevision.job_id == job_id)) or 0
