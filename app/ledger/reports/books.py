"""The house's books: what was issued, closed and paid between two days, as rows for its general ledger."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import ClassVar

import sqlalchemy as sa
from sqlalchemy.orm import InstrumentedAttribute, Session, aliased, joinedload

from app.errors import BitternError
from app.ledger.quoting.snapshot import as_accepted, read_snapshot
from app.ledger.store.events import moved_to
from app.ledger.store.work import Work
from app.ledger.tables import ON_ACCOUNT, Event, Job, Payment, QuoteRevision, Stage
from app.pricing import show_day


@dataclass(frozen=True, slots=True)
class BookColumn:
    """A column's name and what stands in it."""

    name: str
    what: str


def book_amount(cents: int) -> str:
    """Dollars as a ledger imports them: no sign of currency, no commas, a plain minus.

    >>> book_amount(123450), book_amount(-5)
    ('1234.50', '-0.05')
    """
    dollars, rest = divmod(abs(cents), 100)
    return f"{'-' if cents < 0 else ''}{dollars}.{rest:02d}"


def _adds_up(field: str, parts: int, whole: int) -> None:
    if parts != whole:
        raise BitternError(field, f"{book_amount(parts)} is not {book_amount(whole)}: the row does not add up.")


@dataclass(frozen=True, slots=True)
class IssuedQuote:
    """A quote revision as issued; refuses amounts that do not add up."""

    number: str
    revision: int
    issued: date
    customer: str
    place: str
    goods_cents: int
    labour_cents: int
    tax_cents: int
    total_cents: int

    COLUMNS: ClassVar[tuple[BookColumn, ...]] = (
        BookColumn("quote", "the quote's number"),
        BookColumn("revision", "the revision, from 1"),
        BookColumn("issued", "the day of issue, as 2026-03-02"),
        BookColumn("customer", "the customer's name"),
        BookColumn("tax place", "the place whose sales tax counts"),
        BookColumn("goods", "goods, in dollars"),
        BookColumn("labor", "labor, in dollars"),
        BookColumn("tax", "sales tax, in dollars"),
        BookColumn("total", "goods + labor + tax, in dollars"),
    )

    def __post_init__(self) -> None:
        parts = self.goods_cents + self.labour_cents + self.tax_cents
        _adds_up("total_cents", parts, self.total_cents)

    def row(self) -> tuple[str, ...]:
        """The cells, as the columns name them."""
        return (
            self.number,
            str(self.revision),
            self.issued.isoformat(),
            self.customer,
            self.place,
            *(book_amount(one) for one in (self.goods_cents, self.labour_cents, self.tax_cents, self.total_cents)),
        )


@dataclass(frozen=True, slots=True)
class ClosedJob:
    """A job as closed, with what it cost the house: for the owner's books, never for a customer."""

    number: str
    quote: str
    closed: date
    customer: str
    subtotal_cents: int
    tax_cents: int
    total_cents: int
    cost_cents: int
    off_price_cents: int = 0

    COLUMNS: ClassVar[tuple[BookColumn, ...]] = (
        BookColumn("job", "the job's number"),
        BookColumn("quote", "the number and revision that was accepted"),
        BookColumn("closed", "the day it was closed, as 2026-03-02"),
        BookColumn("customer", "the customer's name"),
        BookColumn("subtotal", "before tax, in dollars"),
        BookColumn("tax", "sales tax, in dollars"),
        BookColumn("total", "subtotal + tax, in dollars"),
        BookColumn("cost", "goods and keying at cost, in dollars"),
        BookColumn("margin", "subtotal − cost, in dollars"),
        BookColumn("off the price", "of the total, what was given back off the price and is not due, in dollars"),
    )

    def __post_init__(self) -> None:
        _adds_up("total_cents", self.subtotal_cents + self.tax_cents, self.total_cents)

    def row(self) -> tuple[str, ...]:
        """The cells, as the columns name them."""
        amounts = (self.subtotal_cents, self.tax_cents, self.total_cents, self.cost_cents)
        return (
            self.number,
            self.quote,
            self.closed.isoformat(),
            self.customer,
            *(book_amount(one) for one in amounts),
            book_amount(self.subtotal_cents - self.cost_cents),
            book_amount(self.off_price_cents),
        )


@dataclass(frozen=True, slots=True)
class PaymentReceived:
    """A payment or deposit as received; a refund is negative."""

    reference: str
    job: str
    received: date
    customer: str
    method: str
    amount_cents: int

    COLUMNS: ClassVar[tuple[BookColumn, ...]] = (
        BookColumn("payment", "the payment's reference"),
        BookColumn("job", "the job's number"),
        BookColumn("received", "the day it came in, as 2026-03-02"),
        BookColumn("customer", "the customer's name"),
        BookColumn("method", "how it was paid"),
        BookColumn("amount", "in dollars, a refund with a minus"),
    )

    def row(self) -> tuple[str, ...]:
        """The cells, as the columns name them."""
        return (
            self.reference,
            self.job,
            self.received.isoformat(),
            self.customer,
            self.method,
            book_amount(self.amount_cents),
        )


BookRow = IssuedQuote | ClosedJob | PaymentReceived
_MOST_YEARS = 20
_FIRST_YEAR, _LAST_YEAR = 1900, 9000  # far from where the calendar of a computer ends


@dataclass(frozen=True, slots=True)
class Book:
    """One table for the general ledger: its name, what a row is, its columns."""

    name: str
    what: str
    columns: tuple[BookColumn, ...]


BOOKS = (
    Book("quotes", "each quote revision as it was issued; of two options the first", IssuedQuote.COLUMNS),
    Book("jobs", "each job as it was closed, at the prices that were accepted, with its cost", ClosedJob.COLUMNS),
    Book(
        "payments",
        "each payment, deposit and refund as it came in or went out; what is on account is none until it is paid",
        PaymentReceived.COLUMNS,
    ),
)


def read_span(first: date, last: date) -> tuple[date, date]:
    """The two days; BitternError on `last` when it is before the first, or further than twenty years from it."""
    if last < first:
        raise BitternError("last", f"The last day is before the first, {show_day(first)}.")
    for field, day in (("first", first), ("last", last)):
        if not _FIRST_YEAR <= day.year <= _LAST_YEAR:
            raise BitternError(field, f"Name a day of the years {_FIRST_YEAR} to {_LAST_YEAR}.")
    if (last - first).days > 366 * _MOST_YEARS:
        raise BitternError("last", f"At most {_MOST_YEARS} years are taken at once.")
    return first, last


def book_rows(work: Work, name: str, first: date, last: date) -> list[BookRow]:
    """The rows of one book from `first` to `last`, both included, oldest first; for the owner alone."""
    work.require_owner()
    first, last = read_span(first, last)
    if name not in _READERS:
        raise BitternError("book", f"Choose one of {', '.join(_READERS)}.")
    return list(_READERS[name](work.session, first, last))


def _quotes(session: Session, first: date, last: date) -> Iterator[BookRow]:
    rows = session.scalars(
        sa.select(QuoteRevision)
        .where(_near(QuoteRevision.issued_at, first, last))
        .order_by(QuoteRevision.issued_at, QuoteRevision.id)
    )
    for row in rows:
        snapshot = read_snapshot(row.snapshot)
        if not first <= snapshot.issued_on <= last:
            continue
        totals = snapshot.totals
        yield IssuedQuote(
            number=str(snapshot.job_number),
            revision=snapshot.revision,
            issued=snapshot.issued_on,
            customer=snapshot.customer_name,
            place=totals.tax_place,
            goods_cents=totals.goods_cents,
            labour_cents=totals.labour_cents,
            tax_cents=totals.tax_cents,
            total_cents=totals.total_cents,
        )


def _jobs(session: Session, first: date, last: date) -> Iterator[BookRow]:
    closings = (
        sa.select(Event.job_id, sa.func.max(Event.at).label("at"))
        .where(moved_to(Stage.CLOSED), _near(Event.at, first, last))
        .group_by(Event.job_id)
        .subquery()
    )
    other = aliased(QuoteRevision)
    newest = sa.select(sa.func.max(other.revision)).where(other.job_id == Job.id).scalar_subquery()
    rows = session.execute(
        sa.select(Job, QuoteRevision, closings.c.at)
        .join(closings, closings.c.job_id == Job.id)
        .join(QuoteRevision, sa.and_(QuoteRevision.job_id == Job.id, QuoteRevision.revision == newest))
        .where(Job.stage == Stage.CLOSED)
        .options(joinedload(Job.customer))
    ).all()
    closed = [(at.astimezone().date(), job, revision) for job, revision, at in rows]
    for day, job, revision in sorted(closed, key=lambda one: (one[0], one[1].number)):
        if not first <= day <= last:
            continue
        snapshot = as_accepted(read_snapshot(revision.snapshot), job.accepted_option)
        totals = snapshot.totals
        yield ClosedJob(
            number=str(job.number),
            quote=f"{job.number}-{revision.revision}{job.accepted_option}",
            closed=day,
            customer=job.customer.name,
            subtotal_cents=totals.subtotal_cents,
            tax_cents=totals.tax_cents,
            total_cents=totals.total_cents,
            cost_cents=snapshot.cost_cents,
            off_price_cents=totals.total_cents
            - (totals.total_cents if job.agreed_cents is None else job.agreed_cents),
        )


def _payments(session: Session, first: date, last: date) -> Iterator[BookRow]:
    place = sa.func.row_number().over(partition_by=Payment.job_id, order_by=Payment.id)
    numbered = sa.select(Payment.id, place.label("place")).subquery()
    rows = session.execute(
        sa.select(Payment, numbered.c.place, Job)
        .join(numbered, numbered.c.id == Payment.id)
        .join(Job, Job.id == Payment.job_id)
        .options(joinedload(Job.customer))
        .where(Payment.received_on.between(first, last), Payment.means != ON_ACCOUNT)
        .order_by(Payment.received_on, Payment.id)
    )
    for payment, number, job in rows:
        yield PaymentReceived(
            reference=f"{job.number}-{number}",
            job=str(job.number),
            received=payment.received_on,
            customer=job.customer.name,
            method=payment.means,
            amount_cents=payment.cents,
        )


_READERS: dict[str, Callable[[Session, date, date], Iterator[BookRow]]] = {
    "quotes": _quotes,
    "jobs": _jobs,
    "payments": _payments,
}


def _near(column: InstrumentedAttribute[datetime], first: date, last: date) -> sa.ColumnElement[bool]:
    """Within a day of the span: the exact day depends on the shop's clock, which the database does not know."""
    start = datetime.combine(first, time()).astimezone() - timedelta(days=1)
    return column.between(start, datetime.combine(last, time()).astimezone() + timedelta(days=2))
