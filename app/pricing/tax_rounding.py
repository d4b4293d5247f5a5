"""How a sales tax comes to whole cents: places differ, so it is a rule of the house."""

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction

from app.pricing.money import half_up
from app.validation import JsonDataclass


class TaxRounding(StrEnum):
    """How a tax is brought to whole cents."""

    HALF_UP = "half up"
    STEPS = "steps"
    HALF_DROPPED = "half dropped"
    NO_HALF_CENT = "half up, nothing of half a cent"

    def cents(self, exact: Fraction) -> int:
        """Whole cents; what is below zero, as on a credit note, as its charge is.

        >>> [one.cents(Fraction("60.5")) for one in TaxRounding], TaxRounding.STEPS.cents(Fraction(-601, 10))
        ([61, 61, 60, 61], -61)
        """
        if exact < 0:
            return -self.cents(-exact)
        if self is TaxRounding.STEPS:
            return -(-exact.numerator // exact.denominator)
        if self is TaxRounding.HALF_DROPPED and exact % 1 == Fraction(1, 2):
            return exact.numerator // exact.denominator
        if self is TaxRounding.NO_HALF_CENT and exact <= Fraction(1, 2):
            return 0
        return half_up(exact)


@dataclass(frozen=True, slots=True)
class TaxCents(JsonDataclass):
    """How the tax of a paper comes to whole cents: by which rounding, and of each line or of the whole of it."""

    rounding: TaxRounding = TaxRounding.HALF_UP
    by_invoice: bool = False

    def tax(self, amounts: Iterable[int], percent: Decimal) -> int:
        """The tax on the amounts of taxed lines, in cents.

        >>> TaxCents().tax([10_10] * 3, Decimal("8.25")), TaxCents(by_invoice=True).tax([10_10] * 3, Decimal("8.25"))
        (249, 250)
        """
        exact = [amount * Fraction(percent) / 100 for amount in amounts]
        return sum(map(self.rounding.cents, [sum(exact, Fraction(0))] if self.by_invoice else exact))

    @property
    def sentence(self) -> str:
        """As a paper prints it.

        >>> TaxCents().sentence.partition("; ")[0]
        'Each line is rounded to the cent, and its tax is rounded to the cent'
        """
        whose = "the tax of all of them together" if self.by_invoice else "its tax"
        return (
            f"Each line is rounded to the cent, and {whose} is rounded to the cent; {_ROUNDED[self.rounding]}. "
            "All totals are sums of these."
        )


_ROUNDED = {
    TaxRounding.HALF_UP: "half a cent counts as a whole one",
    TaxRounding.STEPS: "any part of a cent of tax counts as a whole one",
    TaxRounding.HALF_DROPPED: "half a cent of tax is dropped, more counts as a whole one",
    TaxRounding.NO_HALF_CENT: "half a cent counts as a whole one, but tax of half a cent or less is not due",
}

HALF_UP_BY_LINE = TaxCents()
"""The rule of a house that settled no other."""
