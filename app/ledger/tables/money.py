"""Tables: invoices and credit notes, which payment was used for which, payments to an account, the house's rules."""

from datetime import date, datetime
from enum import StrEnum
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.ledger.tables.base import Base, UTCDateTime, choice, refuse_changes
from app.ledger.tables.customers import Customer
from app.ledger.tables.jobs import Job, Payment
from app.ledger.tables.users import User

INVOICE_NUMBERS, ACCOUNT_NUMBERS = "invoice", "account payment"  # the names of their counters


class InvoiceKind(StrEnum):
    """What a paper of the one series of numbers is."""

    INVOICE = "invoice"
    DEPOSIT = "deposit"
    CREDIT_NOTE = "credit note"

    @property
    def words(self) -> str:
        """As it stands at the head of the paper."""
        return "Deposit invoice" if self is InvoiceKind.DEPOSIT else self.value.capitalize()


class Invoice(Base):
    """An invoice, deposit invoice or credit note as issued: never changed; a credit note cancels. Cents with sign.

    subtotal + tax + deposit = total, below zero on a credit note. deposit_cents: what a deposit invoice asks for, and
    with a minus what a later invoice takes off for it. Its customer is the job's. `snapshot` is canonical JSON.
    """

    __tablename__ = "invoices"

    id: Mapped[int] = mapped_column(primary_key=True)
    number: Mapped[int] = mapped_column(unique=True)
    kind: Mapped[InvoiceKind] = mapped_column(choice(InvoiceKind))
    job_id: Mapped[int] = mapped_column(sa.ForeignKey("jobs.id"), index=True)
    issued_at: Mapped[datetime] = mapped_column(UTCDateTime)
    issued_by_id: Mapped[int] = mapped_column(sa.ForeignKey("users.id"))
    invoiced_on: Mapped[date] = mapped_column(index=True)
    due_on: Mapped[date]
    subtotal_cents: Mapped[int]
    tax_cents: Mapped[int]
    deposit_cents: Mapped[int]
    total_cents: Mapped[int]
    refers_to_id: Mapped[int | None] = mapped_column(sa.ForeignKey("invoices.id"), index=True)  # of a credit note
    cancels: Mapped[bool] = mapped_column(default=False)  # the whole invoice, so that its goods can be invoiced again
    reason: Mapped[str] = mapped_column(sa.String(300), default="")
    snapshot: Mapped[str] = mapped_column(sa.Text)
    sha256: Mapped[str] = mapped_column(sa.String(64))
    # Ties a press of the button to one invoice: pressing twice finds the first instead of making another.
    request_token: Mapped[str] = mapped_column(sa.String(64), unique=True)

    job: Mapped[Job] = relationship()
    issued_by: Mapped[User] = relationship()
    lines: "Mapped[list[InvoiceLine]]" = relationship(order_by="InvoiceLine.id")


class InvoiceLine(Base):
    """A line of an invoice, by the label of the quote's: cents of the whole line without its discount, before tax."""

    __tablename__ = "invoice_lines"

    id: Mapped[int] = mapped_column(primary_key=True)
    invoice_id: Mapped[int] = mapped_column(sa.ForeignKey("invoices.id"), index=True)
    label: Mapped[str] = mapped_column(sa.String(12))  # 1, 1a …; restocking, paid early
    words: Mapped[str] = mapped_column(sa.Text)
    quantity: Mapped[int]
    amount_cents: Mapped[int]
    tax_percent: Mapped[str] = mapped_column(sa.String(16), default="")  # decimal text; "" of what is not taxed

    @property
    def is_taxed(self) -> bool:
        """Whether sales tax is on it."""
        return self.tax_percent != ""


class AccountPayment(Base):
    """Money that a customer paid at once for several jobs. What each job had of it is a payment of that job; what is
    over is the customer's credit. cents is 0 where credit of one job was used for another.
    """

    __tablename__ = "account_payments"

    id: Mapped[int] = mapped_column(primary_key=True)
    number: Mapped[int] = mapped_column(unique=True)
    customer_id: Mapped[int] = mapped_column(sa.ForeignKey("customers.id"), index=True)
    received_on: Mapped[date]
    cents: Mapped[int]
    means: Mapped[str] = mapped_column(sa.String(40))
    note: Mapped[str] = mapped_column(sa.String(200), default="")
    taken_by_id: Mapped[int] = mapped_column(sa.ForeignKey("users.id"))
    request_token: Mapped[str] = mapped_column(sa.String(64), unique=True)

    customer: Mapped[Customer] = relationship()
    taken_by: Mapped[User] = relationship()
    parts: Mapped[list[Payment]] = relationship(order_by=Payment.id)


class PaymentUse(Base):
    """What of a payment settles what of an invoice; with a minus what it settles no more. Never changed.

    discount_cents: what is settled beside, as the discount for paying early.
    """

    __tablename__ = "payment_uses"

    id: Mapped[int] = mapped_column(primary_key=True)
    payment_id: Mapped[int] = mapped_column(sa.ForeignKey("payments.id"), index=True)
    invoice_id: Mapped[int] = mapped_column(sa.ForeignKey("invoices.id"), index=True)
    cents: Mapped[int]
    discount_cents: Mapped[int] = mapped_column(default=0)
    used_on: Mapped[date]

    payment: Mapped[Payment] = relationship()
    invoice: Mapped[Invoice] = relationship()


class MoneyRulesRow(Base):
    """The house's rules about money from a day on; `terms` is `pricing.MoneyRules`'s JSON."""

    __tablename__ = "money_rules"

    id: Mapped[int] = mapped_column(primary_key=True)
    valid_from: Mapped[date] = mapped_column(unique=True)
    terms: Mapped[dict[str, Any]] = mapped_column(sa.JSON)


refuse_changes(Invoice, "an issued invoice is never changed: write a credit note")
refuse_changes(InvoiceLine, "an issued invoice is never changed: write a credit note")
refuse_changes(PaymentUse, "what a payment was used for is never changed: write what it is used for now")
