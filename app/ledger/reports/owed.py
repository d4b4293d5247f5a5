"""Who has the goods and has not paid all of them, the longest first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.store.events import moved_to
from app.ledger.tables import Customer, Event, Job, Payment, QuoteRevision, Stage

_WITH_CUSTOMER = (Stage.HANDED_OVER, Stage.CLOSED)


@dataclass(frozen=True, slots=True)
class Owed:
    """A job handed over and not paid in full; cents with tax. `since`: when it was handed over."""

    number: int
    customer_id: int
    customer_name: str
    phone: str
    title: str
    total_cents: int
    paid_cents: int
    since: date
    days: int

    @property
    def owed_cents(self) -> int:
        """What is still to be paid."""
        return self.total_cents - self.paid_cents


@dataclass(frozen=True, slots=True)
class Owing:
    """One customer's share: how many jobs, how much, and the oldest's days."""

    customer_id: int
    customer_name: str
    phone: str
    jobs: int
    owed_cents: int
    days: int


def owed_jobs(session: Session, today: date, customer_id: int | None = None) -> tuple[Owed, ...]:
    """Jobs handed over with money still to come, the longest waiting first; one query."""
    newest = (
        sa.select(QuoteRevision.total_cents)
        .where(QuoteRevision.job_id == Job.id)
        .order_by(QuoteRevision.revision.desc())
        .limit(1)
        .correlate(Job)
        .scalar_subquery()
    )
    total = sa.func.coalesce(Job.agreed_cents, newest, 0)
    paid = sa.func.coalesce(
        sa.select(sa.func.sum(Payment.received_cents))
        .where(Payment.job_id == Job.id)
        .correlate(Job)
        .scalar_subquery(),
        0,
    )
    handed = (
        sa.select(sa.func.min(Event.at))
        .where(Event.job_id == Job.id, moved_to(Stage.HANDED_OVER))
        .correlate(Job)
        .scalar_subquery()
    )
    rows = sa.select(
        Job.number,
        Job.customer_id,
        Customer.name,
        Customer.phone,
        Job.title,
        total,
        paid,
        handed.label("handed"),
        sa.func.coalesce(Job.promised_on, Job.asked_on).label("at_least"),
    ).join(Customer, Customer.id == Job.customer_id)
    rows = rows.where(Job.stage.in_(_WITH_CUSTOMER), total > paid)
    if customer_id is not None:
        rows = rows.where(Job.customer_id == customer_id)
    found = []
    for row in session.execute(rows):
        since = row.handed.astimezone().date() if row.handed else row.at_least
        found.append(Owed(*(*row[:7], since, max((today - since).days, 0))))
    return tuple(sorted(found, key=lambda one: (one.since, one.number)))


def by_customer(jobs: Sequence[Owed]) -> tuple[Owing, ...]:
    """The same by customer, who owes the longest first."""
    groups: dict[int, list[Owed]] = {}
    for job in jobs:
        groups.setdefault(job.customer_id, []).append(job)
    return tuple(
        Owing(
            group[0].customer_id,
            group[0].customer_name,
            group[0].phone,
            len(group),
            sum(job.owed_cents for job in group),
            group[0].days,
        )
        for group in groups.values()
    )
