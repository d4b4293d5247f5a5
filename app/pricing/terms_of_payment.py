"""When an invoice is due, what paying early saves, how a payment is shared out, how old a debt is."""

from calendar import monthrange
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import Annotated

from app.errors import Problem, Problems
from app.pricing.money import Percent, half_up, show_cents
from app.pricing.tax_rounding import TaxCents
from app.pricing.workdays import show_day
from app.validation import JsonDataclass, whole

_MOST_DAYS = 365
_Days = Annotated[int, whole(0, _MOST_DAYS)]


class Dating(StrEnum):
    """From which day the days of terms are counted."""

    INVOICE = "invoice"
    END_OF_MONTH = "end of month"
    RECEIPT = "receipt of goods"


@dataclass(frozen=True, slots=True)
class PaymentTerms(JsonDataclass):
    """Days until an invoice is due, and what paying early saves: `cash_percent` within `cash_days`, 0 for none.

    Raises `Problems` on the fields that cannot be.
    """

    due_days: _Days = 30
    cash_percent: Percent = Decimal(0)
    cash_days: _Days = 0
    dating: Dating = Dating.INVOICE

    def __post_init__(self) -> None:
        problems = []
        if self.cash_percent >= 100:
            problems.append(Problem("cash_percent", "A discount for paying early is below 100 percent."))
        if self.cash_days and not self.cash_percent:
            problems.append(
                Problem("cash_percent", "Enter what paying within these days saves, or set the days to 0.")
            )
        if self.cash_percent and self.cash_days > self.due_days:
            problems.append(Problem("cash_days", "The discount ends no later than the invoice is due."))
        if problems:
            raise Problems(problems)

    def counted_from(self, invoiced_on: date, received_on: date | None = None, late_in_month: int = 0) -> date:
        """The day from which its days are counted. late_in_month: of an invoice of this day of a month or a later one
        the end of the next month counts; 0: never.

        >>> terms = PaymentTerms(dating=Dating.END_OF_MONTH)
        >>> terms.counted_from(date(2026, 11, 27)), terms.counted_from(date(2026, 11, 27), late_in_month=26)
        (datetime.date(2026, 11, 30), datetime.date(2026, 12, 31))
        """
        if self.dating is Dating.RECEIPT:
            return received_on or invoiced_on
        if self.dating is Dating.INVOICE:
            return invoiced_on
        last = invoiced_on.replace(day=monthrange(invoiced_on.year, invoiced_on.month)[1])
        if late_in_month and invoiced_on.day >= late_in_month:
            following = last + timedelta(days=1)
            last = following.replace(day=monthrange(following.year, following.month)[1])
        return last

    def due_on(self, counted_from: date) -> date:
        """The day by which it is to be paid."""
        return counted_from + timedelta(days=self.due_days)

    def discount_until(self, counted_from: date) -> date | None:
        """The last day on which paying early saves something; None where nothing does."""
        return counted_from + timedelta(days=self.cash_days) if self.cash_percent else None

    @property
    def words(self) -> str:
        """The terms in a phrase.

        >>> PaymentTerms(30, Decimal("2.0"), 10).words, PaymentTerms(0).words
        ('2% off if paid within 10 days, due in 30 days', 'due at once')
        >>> PaymentTerms(30, dating=Dating.END_OF_MONTH).words
        'due in 30 days, counted from the end of the month'
        """
        off = (
            f"{self.cash_percent.normalize():f}% off if paid within {_days(self.cash_days)}, "
            if self.cash_percent
            else ""
        )
        due = f"due in {_days(self.due_days)}" if self.due_days else "due at once"
        return f"{off}{due}{_COUNTED[self.dating]}"


_COUNTED = {
    Dating.INVOICE: "",
    Dating.END_OF_MONTH: ", counted from the end of the month",
    Dating.RECEIPT: ", counted from the day the goods were received",
}


def _days(count: int) -> str:
    return "1 day" if count == 1 else f"{count} days"


def early_discount(open_cents: int, percent: Decimal) -> int:
    """What paying a debt early saves, rounded half up.

    >>> early_discount(2000_00, Decimal(2))
    4000
    """
    return half_up(open_cents * Fraction(percent) / 100)


def settled_by(cents: int, percent: Decimal) -> int:
    """What a part payment settles that comes in early: itself and the discount on what it settles.

    >>> settled_by(450_00, Decimal(2))
    45918
    """
    return half_up(cents / (1 - Fraction(percent) / 100))


class UseOrder(StrEnum):
    """Which of several debts a payment is used for that does not pay all of them."""

    OLDEST_FIRST = "oldest first"
    IN_PROPORTION = "in proportion"


def share_payment(cents: int, debts: Sequence[int], order: UseOrder) -> tuple[int, ...]:
    """What each debt, oldest first, gets of a payment: never more than it is, all together never more than all are.

    >>> share_payment(30_00, [50_00, 25_00, 2_65], UseOrder.IN_PROPORTION)
    (1932, 966, 102)
    >>> share_payment(30_00, [20_00, 25_00], UseOrder.OLDEST_FIRST)
    (2000, 1000)
    """
    left, rest = min(cents, sum(debts)), sum(debts)
    shares = []
    for debt in debts:
        share = min(left, debt) if order is UseOrder.OLDEST_FIRST else half_up(Fraction(left * debt, rest or 1))
        shares.append(share)
        left, rest = left - share, rest - debt
    return tuple(shares)


AGE_CLASSES = ("not due", "1–30 days", "31–60 days", "61–90 days", "over 90 days")
_UNTIL = (0, 30, 60, 90)


@dataclass(frozen=True, slots=True, kw_only=True)
class MoneyRules(JsonDataclass):
    """What the house settled about money where places and houses differ; it holds from a day on.

    restocking_taxed: whether the tax on a restocking charge is kept (True) or given back. counts_both_days: whether
    a debt's age counts the day it was due and the day of asking both. late_in_month: see `PaymentTerms.counted_from`.
    discount_on_part: whether a part payment that comes early has its share of the discount.
    """

    terms: PaymentTerms = field(default_factory=PaymentTerms)
    late_in_month: Annotated[int, whole(0, 31)] = 0
    discount_on_part: bool = True
    tax: TaxCents = field(default_factory=TaxCents)
    restocking_percent: Percent = Decimal(0)
    restocking_taxed: bool = False
    use_order: UseOrder = UseOrder.OLDEST_FIRST
    counts_both_days: bool = False

    @property
    def sentences(self) -> tuple[str, ...]:
        """All of it, as the settings and the house's story say it."""
        late = f" From day {self.late_in_month} of a month on, the next month's end." if self.late_in_month else ""
        part = "has its share of" if self.discount_on_part else "has none of"
        charge = f"The restocking charge is {self.restocking_percent.normalize():f}%."
        return (
            self.tax.sentence,
            f"Terms, where a tier has none of its own: {self.terms.words}.{late}",
            f"A part payment that comes early {part} the discount for paying early.",
            f"{charge} {self.restocking_sentence}",
            self.use_sentence,
            self.age_sentence,
        )

    @property
    def use_sentence(self) -> str:
        """In which order a part payment is used, as a statement prints it."""
        if self.use_order is UseOrder.IN_PROPORTION:
            return "A payment that names no invoice is shared out over all that is open, in proportion."
        return "A payment that names no invoice is used for the one that was due first, then for the next."

    @property
    def age_sentence(self) -> str:
        """How days of age are counted, as a statement prints it."""
        both = "the due day and this day both counted" if self.counts_both_days else "the due day itself not counted"
        return f"Age is counted in days from the due day, {both}; on the due day nothing is overdue."

    @property
    def restocking_sentence(self) -> str:
        """What becomes of the tax on a restocking charge, as a credit note prints it."""
        if self.restocking_taxed:
            return "Sales tax on the part of the price that is kept as a restocking charge is not given back."
        return "Sales tax on what came back is given back in full; the restocking charge itself is not taxed."

    def age(self, due_on: date, today: date) -> int:
        """How many days a debt is overdue; 0 up to and on the day it is due.

        >>> rules = MoneyRules()
        >>> rules.age(date(2026, 6, 1), date(2026, 7, 15)), rules.age(date(2026, 6, 1), date(2026, 6, 1))
        (44, 0)
        """
        days = (today - due_on).days
        return days + self.counts_both_days if days > 0 else 0

    def age_class(self, due_on: date, today: date) -> int:
        """The place of a debt among AGE_CLASSES."""
        age = self.age(due_on, today)
        return sum(age > until for until in _UNTIL)


def restocking_cents(cents: int, percent: Decimal) -> int:
    """The charge for taking goods back, of what is credited for them; rounded half up.

    >>> restocking_cents(85_00, Decimal(15))
    1275
    """
    return half_up(cents * Fraction(percent) / 100)


def terms_sentences(terms: PaymentTerms, counted_from: date, total_cents: int) -> tuple[str, ...]:
    """What an invoice says of when it is due, with its days; and what is saved until when."""
    said = [f"Terms: {terms.words}. Please pay by {show_day(terms.due_on(counted_from))}."]
    until = terms.discount_until(counted_from)
    if until is not None:
        off = early_discount(total_cents, terms.cash_percent)
        said.append(f"Paid by {show_day(until)} it is {show_cents(total_cents - off)}: {show_cents(off)} less.")
    return tuple(said)
