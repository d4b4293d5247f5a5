"""A quote's totals: rounded line by line by one stated rule, so that what is printed adds up."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction

from app.errors import BitternError, Problem, Problems
from app.pricing.money import MAX_CENTS, Cents, Percent, half_up, show_cents
from app.pricing.tax_rounding import HALF_UP_BY_LINE, TaxCents
from app.pricing.terms import PriceKind
from app.pricing.workdays import Dated, show_day


@dataclass(frozen=True, slots=True)
class TaxRule(Dated):
    """A place's tax from `valid_from` to `valid_until`, both included: `rate` in percent, and on what."""

    place: str
    rate: Decimal
    goods_taxed: bool
    labour_taxed: bool
    valid_from: date
    valid_until: date | None = None

    def __post_init__(self) -> None:
        if not isinstance(self.place, str) or not self.place.strip() or len(self.place) > 80:
            raise BitternError("place", "Name the place in 1 to 80 characters.")
        if not isinstance(self.rate, Decimal) or not self.rate.is_finite() or not 0 <= self.rate <= 100:
            raise BitternError("rate", "Enter a percentage from 0 to 100.")
        self.check_days()

    def taxes(self, kind: PriceKind) -> bool:
        """Whether a line of this kind is taxed here."""
        return self.goods_taxed if kind is PriceKind.GOODS else self.labour_taxed

    def tax_cents(self, line: "PricedLine") -> int:
        """The tax on a line, rounded half-up to the cent; 0 where its kind is not taxed."""
        return half_up(line.net_cents * Fraction(self.rate) / 100) if self.taxes(line.kind) else 0

    @property
    def sentence(self) -> str:
        """The rule as the quote prints it.

        >>> TaxRule("Saltmarsh", Decimal("8.250"), True, False, date(2026, 1, 1)).sentence
        'Saltmarsh sales tax, 8.25% on goods; labor is not taxed.'
        """
        rate = f"{self.rate.normalize():f}%"
        if not self.rate or not (self.goods_taxed or self.labour_taxed):
            return f"No sales tax in {self.place}."
        if self.goods_taxed and self.labour_taxed:
            return f"{self.place} sales tax, {rate} on goods and labor."
        if self.goods_taxed:
            return f"{self.place} sales tax, {rate} on goods; labor is not taxed."
        return f"{self.place} sales tax, {rate} on labor; goods are not taxed."


@dataclass(frozen=True, slots=True)
class Exemption:
    """A customer's certificate: good up to and including the day `expires`."""

    certificate: str
    expires: date

    def holds_on(self, day: date) -> bool:
        """Whether it still exempts on `day`."""
        return day <= self.expires


class TaxTable:
    """Rules of all places; of several that hold on a day the latest begun counts."""

    def __init__(self, rules: Iterable[TaxRule]) -> None:
        self.rules = tuple(rules)
        starts = Counter((rule.place, rule.valid_from) for rule in self.rules)
        twice = sorted(start for start, count in starts.items() if count > 1)
        if twice:
            raise Problems([Problem(place, f"Two rates begin on {show_day(day)}.") for place, day in twice])

    def rule(self, place: str, on: date) -> TaxRule:
        """The rule of `place` on a day; `BitternError` on `place` when the table has none."""
        fitting = [rule for rule in self.rules if rule.place == place and rule.holds_on(on)]
        if not fitting:
            raise BitternError("place", f"No sales tax rule for {place[:80]} holds on {show_day(on)}; enter one.")
        return max(fitting, key=lambda rule: rule.valid_from)


@dataclass(frozen=True, slots=True)
class DepositRule:
    """A share of the total with tax (`percent`), or an amount (`cents`), asked of quotes above `above_cents`.

    Both 0: no deposit is asked. Raises `BitternError` on the field that cannot be.
    """

    percent: Decimal = Decimal(0)
    cents: int = 0
    above_cents: int = 0

    def __post_init__(self) -> None:
        if not isinstance(self.percent, Decimal) or not self.percent.is_finite() or not 0 <= self.percent <= 100:
            raise BitternError("deposit_percent", "A deposit runs from 0 to 100 percent.")
        for field, cents in (("deposit_cents", self.cents), ("deposit_above_cents", self.above_cents)):
            if type(cents) is not int or not 0 <= cents <= MAX_CENTS:
                raise BitternError(field, f"Enter an amount from $0.00 to {show_cents(MAX_CENTS)}.")
        if self.percent and self.cents:
            raise BitternError("deposit_cents", "Give a percentage or an amount, not both: set one of them to 0.")

    def asked_cents(self, total_cents: int) -> int:
        """What is asked of a quote of this total, tax included; rounded half up, never more than the total.

        >>> DepositRule(percent=Decimal("33.3"), above_cents=500_00).asked_cents(1000_05)
        33302
        >>> DepositRule(percent=Decimal(50), above_cents=500_00).asked_cents(500_00)
        0
        """
        if total_cents <= self.above_cents:
            return 0
        return min(total_cents, self.cents or half_up(Fraction(total_cents) * Fraction(self.percent) / 100))

    @property
    def words(self) -> str:
        """The rule in a sentence.

        >>> DepositRule(percent=Decimal(30), above_cents=500_00).words
        'A deposit of 30 % is asked of quotes above $500.00, tax included.'
        """
        if not self.percent and not self.cents:
            return "No deposit is asked."
        share = show_cents(self.cents) if self.cents else f"{self.percent:f} %"
        above = f"quotes above {show_cents(self.above_cents)}, tax included" if self.above_cents else "every quote"
        return f"A deposit of {share} is asked of {above}."


ROUNDING_RULE = HALF_UP_BY_LINE.sentence
"""Printed on every quote of a house with no other rule."""
DISCOUNT_RULE = "The discount is shared out over the goods by their amounts, and each is taxed without its share."
"""Printed after it on a quote with a discount."""
LINE_DISCOUNT_RULE = "What comes off one line is rounded to the cent, and the line is taxed without it."
"""Printed after the rule on a quote with a line that has a discount of its own."""

MAX_QUANTITY = 1_000_000


@dataclass(frozen=True, slots=True)
class Discount:
    """A share (`percent`) or an amount (`cents`) off a whole quote's goods, its labor has none, or off one line.
    Both 0: no discount.

    Raises `BitternError` on the field that cannot be.
    """

    percent: Percent = Decimal(0)
    cents: Cents = 0

    def __post_init__(self) -> None:
        if not isinstance(self.percent, Decimal) or not self.percent.is_finite() or not 0 <= self.percent <= 100:
            raise BitternError("percent", "A discount runs from 0 to 100 percent.")
        if type(self.cents) is not int or not 0 <= self.cents <= MAX_CENTS:
            raise BitternError("cents", f"A discount runs from $0.00 to {show_cents(MAX_CENTS)}.")
        if self.percent and self.cents:
            raise BitternError("cents", "Give a percentage or an amount, not both: set one of them to 0.")

    @property
    def is_given(self) -> bool:
        """Whether anything comes off."""
        return bool(self.percent or self.cents)

    @property
    def words(self) -> str:
        """What comes off what, as the quote prints it.

        >>> Discount(Decimal("12.50")).words, Discount(cents=25_00).words, Discount().words
        ('12.5% off goods', 'off goods', '')
        """
        if not self.is_given:
            return ""
        return f"{self.percent.normalize():f}% off goods" if self.percent else "off goods"

    def words_of_line(self, taken_cents: int) -> str:
        """What comes off one line, as the quote prints it below the line.

        >>> Discount(Decimal("12.50")).words_of_line(2_25), Discount(cents=25_00).words_of_line(25_00)
        ('Less 12.5%, $2.25', 'Less $25.00')
        >>> Discount().words_of_line(0)
        ''
        """
        if not self.is_given:
            return ""
        share = f"{self.percent.normalize():f}%, " if self.percent else ""
        return f"Less {share}{show_cents(taken_cents)}"

    def taken_cents(self, whole_cents: int) -> int:
        """What comes off this amount, rounded half up, never more than it.

        >>> Discount(Decimal("33.3")).taken_cents(1000_05), Discount(cents=25_00).taken_cents(10_00)
        (33302, 1000)
        """
        return min(whole_cents, self.cents or half_up(Fraction(whole_cents) * Fraction(self.percent) / 100))

    def parted(self, first: int, whole: int) -> tuple["Discount", "Discount"]:
        """The discount of a line's first pieces and that of the others, where the line is parted in two.

        >>> [one.cents for one in Discount(cents=100).parted(1, 3)]
        [33, 67]
        """
        share = half_up(Fraction(self.cents * first, whole))
        return replace(self, cents=share), replace(self, cents=self.cents - share)

    def shared_out(self, lines: Iterable["PricedLine"]) -> tuple["PricedLine", ...]:
        """The lines, those of goods each with its share, by their amounts; the shares add up to what is taken.

        >>> three = [PricedLine("Key", 1, cents, PriceKind.GOODS) for cents in (100, 100, 101)]
        >>> [line.discount_cents for line in Discount(cents=100).shared_out(three)]
        [33, 33, 34]
        """
        whole = tuple(lines)
        if not self.is_given:
            return whole
        goods_left = sum(line.listed_cents for line in whole if line.kind is PriceKind.GOODS)
        left = self.taken_cents(goods_left)
        shared = []
        for line in whole:
            if line.kind is PriceKind.GOODS and line.listed_cents:
                share = half_up(Fraction(left * line.listed_cents, goods_left))
                left, goods_left = left - share, goods_left - line.listed_cents
                line = replace(line, discount_cents=share)
            shared.append(line)
        return tuple(shared)


NO_DISCOUNT = Discount()


@dataclass(frozen=True, slots=True)
class PricedLine:
    """One line: `discounts` are percentages, each taken off what the others leave, then `off_cents`, an amount off
    the whole line; `discount_cents` is its share of the quote's discount. Raises `BitternError` on the field that
    cannot be.
    """

    description: str
    quantity: int
    unit_cents: int
    kind: PriceKind
    discounts: tuple[Decimal, ...] = ()
    discount_cents: int = 0
    off_cents: int = 0

    def __post_init__(self) -> None:
        if type(self.quantity) is not int or not 1 <= self.quantity <= MAX_QUANTITY:
            raise BitternError("quantity", f"Enter a whole quantity from 1 to {MAX_QUANTITY:,}.")
        if type(self.unit_cents) is not int or not 0 <= self.unit_cents <= MAX_CENTS:
            raise BitternError("unit_cents", f"A price runs from $0.00 to {show_cents(MAX_CENTS)}.")
        if self.quantity * self.unit_cents > MAX_CENTS:
            raise BitternError("quantity", f"This line would come to more than {show_cents(MAX_CENTS)}.")
        for percent in self.discounts:
            if not isinstance(percent, Decimal) or not percent.is_finite() or not 0 <= percent <= 100:
                raise BitternError("discounts", "A discount runs from 0 to 100 percent.")
        if type(self.off_cents) is not int or not 0 <= self.off_cents <= self._chained_cents:
            raise BitternError("off_cents", "A discount runs from nothing to the whole line.")
        if type(self.discount_cents) is not int or not 0 <= self.discount_cents <= self.listed_cents:
            raise BitternError("discount_cents", "A discount runs from nothing to the whole line.")

    @property
    def _chained_cents(self) -> int:
        exact = Fraction(self.quantity * self.unit_cents)
        for percent in self.discounts:
            exact *= 1 - Fraction(percent) / 100
        return half_up(exact)

    @property
    def listed_cents(self) -> int:
        """What it comes to with its own discounts off: a discount on the whole quote is taken off that."""
        return self._chained_cents - self.off_cents

    @property
    def net_cents(self) -> int:
        """What the line comes to, by the rounding rule."""
        return self.listed_cents - self.discount_cents


@dataclass(frozen=True, slots=True)
class Totals:
    """Sums of the printed lines, in cents: subtotal + tax = total; goods and labor are before the quote's discount.

    `tax_note`: rate, place or certificate in words; `rule`: how cents are rounded, in a sentence; `tax_place`: the
    place whose tax it is, "" on quotes of earlier releases; `discount_note`: what comes off what, "" where nothing;
    `tax_rule`: what the tax was reckoned by, None on quotes of earlier releases and where nothing is taxed;
    `tax_by`: how it came to whole cents; `is_exempt`: by the customer's certificate.
    """

    goods_cents: int
    labour_cents: int
    subtotal_cents: int
    tax_cents: int
    total_cents: int
    tax_note: str
    rule: str
    tax_place: str = ""
    discount_note: str = ""
    tax_rule: TaxRule | None = None
    tax_by: TaxCents = HALF_UP_BY_LINE
    is_exempt: bool = False

    @property
    def discount_cents(self) -> int:
        """What came off the whole quote."""
        return self.goods_cents + self.labour_cents - self.subtotal_cents


def total(
    lines: Sequence[PricedLine],
    tax: TaxRule,
    exemption: Exemption | None,
    on: date,
    discount: Discount = NO_DISCOUNT,
    tax_by: TaxCents = HALF_UP_BY_LINE,
) -> Totals:
    """Totals of a quote on a day; tax comes to whole cents as `tax_by` says, of what the discount leaves.

    An exemption that has expired on `on` does not exempt, and `tax_note` says so. `BitternError` when the
    rule does not hold on `on`, or the total is beyond ten million dollars.

    >>> lines = [PricedLine("Cylinder", 2, 4250, PriceKind.GOODS), PricedLine("Trip", 1, 9000, PriceKind.LABOR)]
    >>> rule = TaxRule("Saltmarsh", Decimal("8.25"), True, False, date(2026, 1, 1))
    >>> sums = total(lines, rule, None, date(2026, 3, 2))
    >>> sums.subtotal_cents, sums.tax_cents, sums.total_cents
    (17500, 701, 18201)
    """
    if not tax.holds_on(on):
        raise BitternError("tax", f"The tax rule of {tax.place} does not hold on {show_day(on)}.")
    exempt = exemption is not None and exemption.holds_on(on)
    lines = discount.shared_out(lines)
    subtotal = sum(line.net_cents for line in lines)
    taxed = [line.net_cents for line in lines if tax.taxes(line.kind) and not exempt]
    taxes = tax_by.tax(taxed, tax.rate)
    if subtotal + taxes > MAX_CENTS:
        raise BitternError("lines", f"A quote may not come to more than {show_cents(MAX_CENTS)}.")
    return Totals(
        goods_cents=sum(line.listed_cents for line in lines if line.kind is PriceKind.GOODS),
        labour_cents=sum(line.listed_cents for line in lines if line.kind is PriceKind.LABOR),
        subtotal_cents=subtotal,
        tax_cents=taxes,
        total_cents=subtotal + taxes,
        tax_note=_note(tax, exemption, on),
        rule=" ".join(
            (
                tax_by.sentence,
                *([LINE_DISCOUNT_RULE] if any(line.off_cents for line in lines) else []),
                *([DISCOUNT_RULE] if discount.is_given else []),
            )
        ),
        tax_place=tax.place,
        discount_note=discount.words,
        tax_rule=None if exempt or not tax.rate else tax,
        tax_by=tax_by,
        is_exempt=exempt,
    )


def _note(tax: TaxRule, exemption: Exemption | None, on: date) -> str:
    if exemption is None:
        return tax.sentence
    if exemption.holds_on(on):
        return f"Tax exempt, certificate {exemption.certificate}."
    return f"{tax.sentence} Exemption certificate {exemption.certificate} expired on {show_day(exemption.expires)}."


class LineStatus(StrEnum):
    """What became of a line."""

    SAME = "same"
    CHANGED = "changed"
    ADDED = "added"
    REMOVED = "removed"


@dataclass(frozen=True, slots=True)
class LineChange:
    """A line before and after; None where there is none."""

    status: LineStatus
    before: PricedLine | None
    after: PricedLine | None

    @property
    def difference_cents(self) -> int:
        """How much more the line comes to, before tax."""
        return (self.after.net_cents if self.after else 0) - (self.before.net_cents if self.before else 0)


def compare_revisions(before: Iterable[PricedLine], after: Iterable[PricedLine]) -> tuple[LineChange, ...]:
    """Each line of both revisions once: the later one's lines in their order, then those removed.

    Equal lines are matched first, then lines of the same description, in order; a line is matched once. The
    differences add up to the difference of the two subtotals.
    """
    left = list(before)
    new = list(after)
    matched: dict[int, LineChange] = {}
    for status in (LineStatus.SAME, LineStatus.CHANGED):
        for index, line in enumerate(new):
            if index in matched:
                continue
            fits = (
                old
                for old in left
                if (old == line if status is LineStatus.SAME else old.description == line.description)
            )
            old = next(fits, None)
            if old is not None:
                left.remove(old)
                matched[index] = LineChange(status, old, line)
    changes = [matched.get(index, LineChange(LineStatus.ADDED, None, line)) for index, line in enumerate(new)]
    return (*changes, *(LineChange(LineStatus.REMOVED, old, None) for old in left))
