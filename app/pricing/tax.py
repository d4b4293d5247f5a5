"""Sales tax: dated rules by place, and a customer's exemption."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from app.errors import BitternError, Problem, Problems
from app.pricing.kinds import LineKind
from app.pricing.workdays import show_day


@dataclass(frozen=True, slots=True)
class TaxRule:
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
        if self.valid_until is not None and self.valid_until < self.valid_from:
            raise BitternError("valid_until", "The last day may not be before the first.")

    def taxes(self, kind: LineKind) -> bool:
        """Whether a line of this kind is taxed here."""
        return self.goods_taxed if kind is LineKind.GOODS else self.labour_taxed

    @property
    def sentence(self) -> str:
        """The rule as the quote prints it.

        >>> TaxRule("Saltmarsh", Decimal("8.250"), True, False, date(2026, 1, 1)).sentence
        'Saltmarsh sales tax, 8.25% on goods; labour is not taxed.'
        """
        rate = f"{self.rate.normalize():f}%"
        if not self.rate or not (self.goods_taxed or self.labour_taxed):
            return f"No sales tax in {self.place}."
        if self.goods_taxed and self.labour_taxed:
            return f"{self.place} sales tax, {rate} on goods and labour."
        if self.goods_taxed:
            return f"{self.place} sales tax, {rate} on goods; labour is not taxed."
        return f"{self.place} sales tax, {rate} on labour; goods are not taxed."


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
        fitting = [
            rule
            for rule in self.rules
            if rule.place == place and rule.valid_from <= on and (rule.valid_until is None or on <= rule.valid_until)
        ]
        if not fitting:
            raise BitternError("place", f"No sales tax rule for {place[:80]} holds on {show_day(on)}; enter one.")
        return max(fitting, key=lambda rule: rule.valid_from)
