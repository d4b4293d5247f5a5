"""A quote's totals: rounded line by line by one stated rule, so that what is printed adds up."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction

from app.errors import BitternError
from app.pricing.kinds import LineKind
from app.pricing.money import MAX_CENTS, half_up, show_cents
from app.pricing.tax import Exemption, TaxRule
from app.pricing.workdays import show_day

ROUNDING_RULE = (
    "Each line is rounded to the cent, and its tax is rounded to the cent; "
    "half a cent counts as a whole one. All totals are sums of these."
)
"""Printed on every quote. No quote has a discount: the sentence speaks of none until a house gives some."""

MAX_QUANTITY = 1_000_000


@dataclass(frozen=True, slots=True)
class QuoteLine:
    """One line: `discounts` are percentages, each taken off what the others leave; `discount_cents` is an
    amount off the whole line, after them. Raises `BitternError` on the field that cannot be.
    """

    description: str
    quantity: int
    unit_cents: int
    kind: LineKind
    discounts: tuple[Decimal, ...] = ()
    discount_cents: int = 0

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
        if type(self.discount_cents) is not int or not 0 <= self.discount_cents <= self._after_percents:
            raise BitternError("discount_cents", "A discount runs from nothing to the whole line.")

    @property
    def _after_percents(self) -> int:
        exact = Fraction(self.quantity * self.unit_cents)
        for percent in self.discounts:
            exact *= 1 - Fraction(percent) / 100
        return half_up(exact)

    @property
    def gross_cents(self) -> int:
        """Quantity times price, before any discount."""
        return self.quantity * self.unit_cents

    @property
    def net_cents(self) -> int:
        """What the line comes to, by the rounding rule."""
        return self._after_percents - self.discount_cents


@dataclass(frozen=True, slots=True)
class PricedLine:
    """A line with its amounts: gross − discount = net; tax on the net."""

    line: QuoteLine
    gross_cents: int
    discount_cents: int
    net_cents: int
    tax_cents: int


@dataclass(frozen=True, slots=True)
class Totals:
    """Sums of the printed lines: goods + labour − discount = subtotal; subtotal + tax = total."""

    lines: tuple[PricedLine, ...]
    goods_cents: int
    labour_cents: int
    discount_cents: int
    subtotal_cents: int
    taxable_cents: int
    tax_cents: int
    total_cents: int
    tax_note: str


def total(lines: Iterable[QuoteLine], tax: TaxRule, exemption: Exemption | None, on: date) -> Totals:
    """Totals of a quote on a day. `goods_cents` and `labour_cents` are before discounts.

    An exemption that has expired on `on` does not exempt, and `tax_note` says so. `BitternError` when the
    rule does not hold on `on`, or the total is beyond ten million dollars.

    >>> from app.pricing.kinds import LineKind
    >>> lines = [QuoteLine("Mortise cylinder", 2, 4250, LineKind.GOODS), QuoteLine("Trip", 1, 9000, LineKind.LABOUR)]
    >>> rule = TaxRule("Saltmarsh", Decimal("8.25"), True, False, date(2026, 1, 1))
    >>> sums = total(lines, rule, None, date(2026, 3, 2))
    >>> sums.subtotal_cents, sums.tax_cents, sums.total_cents
    (17500, 701, 18201)
    """
    if on < tax.valid_from or (tax.valid_until is not None and on > tax.valid_until):
        raise BitternError("tax", f"The tax rule of {tax.place} does not hold on {show_day(on)}.")
    exempt = exemption is not None and exemption.holds_on(on)
    priced = tuple(_priced(line, tax, exempt) for line in lines)
    goods = sum(one.gross_cents for one in priced if one.line.kind is LineKind.GOODS)
    labour = sum(one.gross_cents for one in priced if one.line.kind is LineKind.LABOUR)
    discount = sum(one.discount_cents for one in priced)
    taxes = sum(one.tax_cents for one in priced)
    whole = goods + labour - discount + taxes
    if whole > MAX_CENTS:
        raise BitternError("lines", f"A quote may not come to more than {show_cents(MAX_CENTS)}.")
    return Totals(
        lines=priced,
        goods_cents=goods,
        labour_cents=labour,
        discount_cents=discount,
        subtotal_cents=goods + labour - discount,
        taxable_cents=sum(one.net_cents for one in priced if tax.taxes(one.line.kind) and not exempt),
        tax_cents=taxes,
        total_cents=whole,
        tax_note=_note(tax, exemption, on),
    )


def _priced(line: QuoteLine, tax: TaxRule, exempt: bool) -> PricedLine:
    gross, net = line.gross_cents, line.net_cents
    taxed = tax.taxes(line.kind) and not exempt
    tax_cents = half_up(net * Fraction(tax.rate) / 100) if taxed else 0
    return PricedLine(line, gross, gross - net, net, tax_cents)


def _note(tax: TaxRule, exemption: Exemption | None, on: date) -> str:
    if exemption is None:
        return tax.sentence
    if exemption.holds_on(on):
        return f"Tax exempt, certificate {exemption.certificate}."
    return f"{tax.sentence} Exemption certificate {exemption.certificate} expired on {show_day(exemption.expires)}."
