"""Rows for the house's general ledger: issued quotes, closed jobs, payments, each with documented columns.

Plain values only: `documents` writes them as CSV.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import ClassVar

from app.errors import BitternError


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
