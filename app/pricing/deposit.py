"""The deposit that a house asks for before the work begins."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from app.errors import BitternError
from app.pricing.money import MAX_CENTS, half_up, show_cents


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
