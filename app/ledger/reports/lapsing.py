"""Open quotes that are about to lapse, or have: whom to ring."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased

from app.ledger.tables import Contact, Customer, Job, QuoteRevision, Stage, User


@dataclass(frozen=True, slots=True)
class LapsingQuote:
    """A quote without an answer. `quote_id`: its newest revision. `days`: until it lapses; below 0: since."""

    quote_id: int
    number: int
    revision: int
    customer_id: int
    customer_name: str
    phone: str
    contact: str  # the customer's first contact with a phone: "P. Harbour, 555-0100"
    title: str
    valid_until: date
    quoted_by: str
    value_cents: int  # before tax
    days: int


def lapsing_quotes(session: Session, today: date, within: int = 7, limit: int = 500) -> tuple[LapsingQuote, ...]:
    """Quotes of jobs still `quoted` that lapse within so many days or have lapsed: one query.

    First those that still hold, by their day; then those that have lapsed, the newest first.
    """
    other = aliased(QuoteRevision)
    newest = sa.select(sa.func.max(other.revision)).where(other.job_id == Job.id).scalar_subquery()
    contact = (
        sa.select(Contact.name + ", " + Contact.phone)
        .where(Contact.customer_id == Customer.id, Contact.phone != "")
        .order_by(Contact.id)
        .limit(1)
        .scalar_subquery()
    )
    rows = session.execute(
        sa.select(
            QuoteRevision.id,
            Job.number,
            QuoteRevision.revision,
            Customer.id,
            Customer.name,
            Customer.phone,
            sa.func.coalesce(contact, ""),
            Job.title,
            QuoteRevision.valid_until,
            User.name,
            QuoteRevision.subtotal_cents,
        )
        .join(Job, Job.id == QuoteRevision.job_id)
        .join(Customer, Customer.id == Job.customer_id)
        .join(User, User.id == QuoteRevision.issued_by_id)
        .where(
            Job.stage == Stage.QUOTED,
            QuoteRevision.revision == newest,
            QuoteRevision.valid_until <= today + timedelta(days=within),
        )
        .order_by(sa.case((QuoteRevision.valid_until >= today, 0), else_=1), QuoteRevision.valid_until, Job.number)
        .limit(limit)
    )
    quotes = [LapsingQuote(*(*row, (row.valid_until - today).days)) for row in rows]
    return tuple(sorted(quotes, key=lambda one: (one.days < 0, abs(one.days), one.number)))
