"""The house's books: what was quoted, closed, invoiced and paid between two days, as rows for its general ledger."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import NamedTuple

import sqlalchemy as sa
from sqlalchemy.orm import InstrumentedAttribute, Session, aliased, joinedload

from app.errors import BitternError
from app.ledger.jobs.queries import newest_revision
from app.ledger.money.invoice_snapshot import read_invoice
from app.ledger.quoting.snapshot import as_accepted, read_snapshot
from app.ledger.store.events import moved_to
from app.ledger.store.numbers import account_payment_number, invoice_number, payment_number, quote_number
from app.ledger.store.work import Work
from app.ledger.tables import (
    ON_ACCOUNT,
    AccountPayment,
    Customer,
    Event,
    Invoice,
    Job,
    Payment,
    PaymentUse,
    QuoteRevision,
    Stage,
)
from app.pricing import show_day

BookRow = tuple[str, ...]
"""The cells of a row, as the columns of its book name them."""


class BookColumn(NamedTuple):
    """A column's name and what stands in it."""

    name: str
    what: str


_MOST_YEARS = 20
_FIRST_YEAR, _LAST_YEAR = 1900, 9000  # far from where the calendar of a computer ends


@dataclass(frozen=True, slots=True)
class Book:
    """One table for the general ledger: its name, what a row is, its columns, and what gives its rows."""

    name: str
    what: str
    columns: tuple[BookColumn, ...]
    rows: Callable[[Session, date, date], Iterator[BookRow]]


def book_amount(cents: int) -> str:
    """Dollars as a ledger imports them: no sign of currency, no commas, a plain minus.

    >>> book_amount(123450), book_amount(-5)
    ('1234.50', '-0.05')
    """
    dollars, rest = divmod(abs(cents), 100)
    return f"{'-' if cents < 0 else ''}{dollars}.{rest:02d}"


def amounts_to(whole: int, *parts: int) -> list[str]:
    """The parts and what they come to, as amounts; BitternError where they do not come to the whole. In cents."""
    if sum(parts) != whole:
        refusal = f"{book_amount(sum(parts))} is not {book_amount(whole)}: the row does not add up."
        raise BitternError("total_cents", refusal)
    return [book_amount(one) for one in (*parts, whole)]


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
    for book in BOOKS:
        if book.name == name:
            return list(book.rows(work.session, first, last))
    raise BitternError("book", f"Choose one of {', '.join(book.name for book in BOOKS)}.")


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
        yield (
            str(snapshot.job_number),
            str(snapshot.revision),
            snapshot.issued_on.isoformat(),
            snapshot.customer_name,
            totals.tax_place,
            *amounts_to(
                totals.total_cents,
                *(totals.goods_cents, totals.labour_cents, -totals.discount_cents, totals.tax_cents),
            ),
        )


def _jobs(session: Session, first: date, last: date) -> Iterator[BookRow]:
    closings = (
        sa.select(Event.job_id, sa.func.max(Event.at).label("at"))
        .where(moved_to(Stage.CLOSED), _near(Event.at, first, last))
        .group_by(Event.job_id)
        .subquery()
    )
    rows = session.execute(
        sa.select(Job, QuoteRevision, closings.c.at)
        .join(closings, closings.c.job_id == Job.id)
        .join(QuoteRevision, sa.and_(QuoteRevision.job_id == Job.id, QuoteRevision.revision == newest_revision()))
        .where(Job.stage == Stage.CLOSED)
        .options(joinedload(Job.customer))
    ).all()
    closed = [(at.astimezone().date(), job, revision) for job, revision, at in rows]
    for day, job, revision in sorted(closed, key=lambda one: (one[0], one[1].number)):
        if not first <= day <= last:
            continue
        snapshot = as_accepted(read_snapshot(revision.snapshot), job.accepted_option)
        totals = snapshot.totals
        agreed = totals.total_cents if job.agreed_cents is None else job.agreed_cents
        yield (
            str(job.number),
            f"{quote_number(job.number, revision.revision)}{job.accepted_option}",
            day.isoformat(),
            job.customer.name,
            *amounts_to(totals.total_cents, totals.subtotal_cents, totals.tax_cents),
            book_amount(snapshot.cost_cents),
            book_amount(totals.subtotal_cents - snapshot.cost_cents),
            book_amount(totals.total_cents - agreed),
        )


def _invoices(session: Session, first: date, last: date) -> Iterator[BookRow]:
    named = aliased(Invoice)
    rows = session.execute(
        sa.select(Invoice, named.number, Job)
        .join(Job, Job.id == Invoice.job_id)
        .outerjoin(named, named.id == Invoice.refers_to_id)
        .options(joinedload(Invoice.job).joinedload(Job.customer))
        .where(Invoice.invoiced_on.between(first, last))
        .order_by(Invoice.number)
    )
    for one, refers_to, job in rows:
        yield (
            invoice_number(one.number),
            one.kind.value,
            "" if refers_to is None else invoice_number(refers_to),
            str(job.number),
            one.invoiced_on.isoformat(),
            one.due_on.isoformat(),
            job.customer.name,
            read_invoice(one.snapshot).tax_note,
            *amounts_to(one.total_cents, one.subtotal_cents, one.tax_cents, one.deposit_cents),
        )


def _payments(session: Session, first: date, last: date) -> Iterator[BookRow]:
    place = sa.func.row_number().over(partition_by=Payment.job_id, order_by=Payment.id)
    numbered = sa.select(Payment.id, place.label("place")).subquery()
    rows = session.execute(
        sa.select(Payment, numbered.c.place, Job)
        .join(numbered, numbered.c.id == Payment.id)
        .join(Job, Job.id == Payment.job_id)
        .where(
            Payment.received_on.between(first, last),
            Payment.means != ON_ACCOUNT,
            Payment.account_payment_id.is_(None),
        )
        .order_by(Payment.received_on, Payment.id)
    )
    names = dict(session.execute(sa.select(Customer.id, Customer.name)).all())
    found: list[tuple[date, BookRow]] = []
    for payment, number, job in rows:
        said = (payment_number(job.number, number), str(job.number), payment.received_on.isoformat())
        money = (names[job.customer_id], payment.means, book_amount(payment.cents))
        found.append((payment.received_on, (*said, *money)))
    accounts = sa.select(AccountPayment).where(
        AccountPayment.received_on.between(first, last), AccountPayment.cents != 0
    )
    for account in session.scalars(accounts.order_by(AccountPayment.received_on, AccountPayment.id)):
        said = (account_payment_number(account.number), "", account.received_on.isoformat())
        money = (names[account.customer_id], account.means, book_amount(account.cents))
        found.append((account.received_on, (*said, *money)))
    yield from (row for _, row in sorted(found, key=lambda one: one[0]))


def _early(session: Session, first: date, last: date) -> Iterator[BookRow]:
    rows = session.execute(
        sa.select(PaymentUse, Invoice.number, Job)
        .join(Invoice, Invoice.id == PaymentUse.invoice_id)
        .join(Job, Job.id == Invoice.job_id)
        .options(joinedload(PaymentUse.invoice).joinedload(Invoice.job).joinedload(Job.customer))
        .where(PaymentUse.used_on.between(first, last), PaymentUse.discount_cents != 0)
        .order_by(PaymentUse.used_on, PaymentUse.id)
    )
    for use, number, job in rows:
        yield (
            invoice_number(number),
            str(job.number),
            use.used_on.isoformat(),
            job.customer.name,
            book_amount(-use.discount_cents),
        )


def _near(column: InstrumentedAttribute[datetime], first: date, last: date) -> sa.ColumnElement[bool]:
    """Within a day of the span: the exact day depends on the shop's clock, which the database does not know."""
    start = datetime.combine(first, time()).astimezone() - timedelta(days=1)
    return column.between(start, datetime.combine(last, time()).astimezone() + timedelta(days=2))


BOOKS = (
    Book(
        "quotes",
        "each quote revision as it was issued; of two options the first",
        (
            BookColumn("quote", "the number of its job"),
            BookColumn("revision", "the revision, from 1"),
            BookColumn("issued", "the day of issue, as 2026-03-02"),
            BookColumn("customer", "the customer's name"),
            BookColumn("tax place", "the place whose sales tax counts"),
            BookColumn("goods", "goods, in dollars"),
            BookColumn("labor", "labor, in dollars"),
            BookColumn("discount", "what came off the goods, in dollars, with a minus"),
            BookColumn("tax", "sales tax, in dollars"),
            BookColumn("total", "goods + labor + discount + tax, in dollars"),
        ),
        _quotes,
    ),
    Book(
        "jobs",
        "each job as it was closed, at the prices that were accepted, with its cost",
        (
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
        ),
        _jobs,
    ),
    Book(
        "invoices",
        "each invoice, deposit invoice and credit note as it was issued, in the order of their one series of numbers",
        (
            BookColumn("invoice", "its number"),
            BookColumn("kind", "invoice, deposit, credit note"),
            BookColumn("refers to", "of a credit note, the invoice that it changes"),
            BookColumn("job", "the job's number"),
            BookColumn("issued", "the day of issue, as 2026-03-02"),
            BookColumn("due", "the day by which it is to be paid"),
            BookColumn("customer", "the customer's name"),
            BookColumn("tax rule", "the sales tax, or the certificate, in words"),
            BookColumn("subtotal", "before tax, in dollars; a credit note's with a minus"),
            BookColumn("tax", "sales tax, in dollars"),
            BookColumn("deposit", "asked by a deposit invoice, and with a minus what came off for it, in dollars"),
            BookColumn("total", "subtotal + tax + deposit, in dollars"),
        ),
        _invoices,
    ),
    Book(
        "discounts",
        "each discount for paying early as it was taken",
        (
            BookColumn("invoice", "the invoice it came off"),
            BookColumn("job", "the job's number"),
            BookColumn("taken", "the day it was taken, as 2026-03-02"),
            BookColumn("customer", "the customer's name"),
            BookColumn("amount", "in dollars, with a minus; its share of the tax is in it"),
        ),
        _early,
    ),
    Book(
        "payments",
        "each payment, deposit and refund as it came in or went out, one for several jobs as one",
        (
            BookColumn("payment", "the number of its receipt"),
            BookColumn("job", "the job's number; empty of one for several"),
            BookColumn("received", "the day it came in, as 2026-03-02"),
            BookColumn("customer", "the customer's name"),
            BookColumn("method", "how it was paid"),
            BookColumn("amount", "in dollars, a refund with a minus"),
        ),
        _payments,
    ),
)
