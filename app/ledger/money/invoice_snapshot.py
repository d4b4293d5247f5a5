"""An invoice, deposit invoice or credit note as issued: the frozen values that are saved, shown and printed."""

import json
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from app.ledger.quoting.snapshot import HouseHead
from app.ledger.store.numbers import invoice_number
from app.ledger.tables import InvoiceKind
from app.pricing import TaxCents, show_cents
from app.validation import JsonDataclass


@dataclass(frozen=True, slots=True)
class InvoicedLine:
    """One printed line. Cents with sign; amount_cents is without its share of the quote's discount, net of its own.

    taxed_cents: the amount that tax is reckoned of; tax_percent: decimal text, "" where the line is not taxed.
    """

    label: str
    words: str
    part_number: str
    quantity: int
    unit_cents: int
    amount_cents: int
    taxed_cents: int
    tax_percent: str
    note: str = ""  # "Less 10%, $9.80"

    @property
    def is_part(self) -> bool:
        """Whether it belongs to the line above it."""
        return self.label[:1].isdigit() and not self.label.isdigit()


@dataclass(frozen=True, slots=True, kw_only=True)
class InvoiceSnapshot(JsonDataclass):
    """Everything that an invoice or credit note says. A credit note's cents are below zero.

    subtotal_cents is the lines less discount_cents; with tax_cents and deposit_cents it comes to total_cents.
    tax_change_cents: what the tax of the deciding day came to more than the accepted quote's. received_cents: what
    had been paid for the job and was used for this one as it was issued.
    """

    house: HouseHead
    number: int
    kind: InvoiceKind
    issued_on: date
    due_on: date
    issued_by: str
    job_number: int
    title: str
    quote: str
    po_number: str
    customer_name: str
    customer_address: str
    site_name: str
    site_address: str
    what: str  # what was handed over; all of it; a deposit
    lines: tuple[InvoicedLine, ...]
    discount_cents: int
    discount_note: str
    subtotal_cents: int
    tax_cents: int
    tax_note: str
    deposit_cents: int
    deposit_note: str
    total_cents: int
    received_cents: int = 0
    tax_by: TaxCents
    tax_change_cents: int = 0
    rule: str = ""  # how cents are rounded, in a sentence
    day_rule: str = ""  # which day decides the tax
    terms: tuple[str, ...] = ()
    cash_percent: Decimal = Decimal(0)
    discount_until: date | None = None
    refers_to: int | None = None  # the invoice that a credit note changes
    reason: str = ""
    restocking_rule: str = ""
    early_rule: str = ""  # what becomes of the discount for paying early
    early_tax_cents: int = 0  # the tax in it
    is_last: bool = False  # with it all of the job is invoiced

    @property
    def number_words(self) -> str:
        """Its number as it prints."""
        return invoice_number(self.number)

    @property
    def to_pay_cents(self) -> int:
        """What it asks for."""
        return self.total_cents - self.received_cents

    @property
    def listed_cents(self) -> int:
        """What the printed lines come to."""
        return sum(line.amount_cents for line in self.lines)

    def __post_init__(self) -> None:
        if self.listed_cents - self.discount_cents != self.subtotal_cents:
            raise ValueError("the lines do not come to the subtotal")
        if self.subtotal_cents + self.tax_cents + self.deposit_cents != self.total_cents:
            raise ValueError("subtotal, tax and deposit do not come to the total")


def note_of_part(note: str, off_cents: int, part_cents: int) -> str:
    """The note of a line's own discount, which took off_cents off the whole line, for a part of its pieces.

    >>> note_of_part("Less 10%, $3.45", 3_45, 1_15)
    'Less 10%, $1.15'
    """
    return note.replace(show_cents(off_cents), show_cents(part_cents)) if part_cents > 0 else ""


def read_invoice(text: str) -> InvoiceSnapshot:
    """The snapshot of a text that was kept."""
    return InvoiceSnapshot.from_json(json.loads(text))
