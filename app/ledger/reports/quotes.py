"""Quotes: those about to lapse, with whom to ring; those won and lost of late, and why the lost ones were lost."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.jobs.queries import newest_revision
from app.ledger.tables import Contact, Customer, Event, Job, QuoteRevision, Stage, User

PERIODS = (30, 90, 365)  # days


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
            QuoteRevision.revision == newest_revision(),
            QuoteRevision.valid_until <= today + timedelta(days=within),
        )
        .order_by(sa.case((QuoteRevision.valid_until >= today, 0), else_=1), QuoteRevision.valid_until, Job.number)
        .limit(limit)
    )
    quotes = [LapsingQuote(*(*row, (row.valid_until - today).days)) for row in rows]
    return tuple(sorted(quotes, key=lambda one: (one.days < 0, abs(one.days), one.number)))


@dataclass(frozen=True, slots=True)
class Won:
    """A quote that was accepted. Cents before tax."""

    number: int
    customer_name: str
    title: str
    stage: Stage
    accepted_on: date
    value_cents: int
    cost_cents: int


@dataclass(frozen=True, slots=True)
class Lost:
    """A quote that was lost, as of the day it was marked so."""

    number: int
    customer_name: str
    title: str
    lost_on: date
    value_cents: int
    reason: str


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason, as it was first written, and what it cost."""

    reason: str
    quotes: int
    value_cents: int


@dataclass(frozen=True, slots=True)
class Outcomes:
    """Quotes won and lost within `days`."""

    days: int
    won: tuple[Won, ...]
    lost: tuple[Lost, ...]

    @property
    def won_cents(self) -> int:
        """What the won ones are worth before tax."""
        return sum(one.value_cents for one in self.won)

    @property
    def canceled(self) -> tuple[Won, ...]:
        """Those of the won ones whose job was canceled since."""
        return tuple(one for one in self.won if one.stage is Stage.CANCELED)

    @property
    def lost_cents(self) -> int:
        """What the lost ones would have been worth."""
        return sum(one.value_cents for one in self.lost)

    @property
    def reasons(self) -> tuple[Reason, ...]:
        """Why the lost ones were lost, what cost the most first; the same words are one reason."""
        groups: dict[str, list[Lost]] = {}
        for one in self.lost:
            groups.setdefault(folded_reason(one.reason), []).append(one)
        found = [
            Reason(group[0].reason, len(group), sum(one.value_cents for one in group)) for group in groups.values()
        ]
        return tuple(sorted(found, key=lambda one: (-one.value_cents, -one.quotes, one.reason)))


def folded_reason(reason: str) -> str:
    """The reason as it is compared.

    >>> folded_reason(" Too  dear. ") == folded_reason("too dear")
    True
    """
    return " ".join(reason.split()).rstrip(".! ").casefold()


def outcomes(session: Session, today: date, days: int = 90) -> Outcomes:
    """What was won and lost within so many days: two queries."""
    return Outcomes(days, won_quotes(session, today, days), lost_quotes(session, today, days))


def won_quotes(session: Session, today: date, days: int) -> tuple[Won, ...]:
    """Quotes accepted within so many days, the newest first."""
    rows = session.execute(
        sa.select(Job.number, Customer.name, Job.title, Job.stage, Job.accepted_on, Job.value_cents, Job.cost_cents)
        .join(Customer, Customer.id == Job.customer_id)
        .where(Job.accepted_on > today - timedelta(days=days))
        .order_by(Job.accepted_on.desc(), Job.number.desc())
    )
    return tuple(Won(*row) for row in rows)  # type: ignore[arg-type]  # the condition leaves no None


def lost_quotes(session: Session, today: date, days: int, reason: str = "") -> tuple[Lost, ...]:
    """Quotes lost within so many days, the newest first; of one reason where it is given."""
    at = sa.select(sa.func.max(Event.at)).where(Event.job_id == Job.id, Event.kind == "stage moved").scalar_subquery()
    # As many days as those of the won ones, today counted, by the shop's own clock.
    since = datetime.combine(today - timedelta(days=days - 1), time()).astimezone(UTC)
    rows = session.execute(
        sa.select(Job.number, Customer.name, Job.title, at.label("at"), Job.value_cents, Job.reason)
        .join(Customer, Customer.id == Job.customer_id)
        .where(Job.stage == Stage.LOST, at >= since)
        .order_by(at.desc(), Job.number.desc())
    )
    found = (Lost(row[0], row[1], row[2], row.at.astimezone().date(), row[4], row[5]) for row in rows)
    wanted = folded_reason(reason)
    return tuple(one for one in found if not wanted or folded_reason(one.reason) == wanted)


def past_reasons(session: Session) -> Sequence[str]:
    """The reasons written most often, for somebody who is about to write one."""
    return session.scalars(
        sa.select(Job.reason)
        .where(Job.stage == Stage.LOST, Job.reason != "")
        .group_by(Job.reason)
        .order_by(sa.func.count().desc(), Job.reason)
        .limit(12)
    ).all()
