"""How a price comes about from cost or list, and the guard that says when it earns too little."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from math import ceil

from app.errors import BitternError, Problem, Problems
from app.pricing.money import MAX_CENTS, half_up, show_cents
from app.pricing.price_book import PriceRow


class PriceBasis(StrEnum):
    """What a rule works from."""

    COST_TIMES = "cost times"
    MARGIN = "margin"
    LIST_LESS = "list less"


@dataclass(frozen=True, slots=True)
class PriceRule:
    """A way to a unit price, for an item, a category, a maker or a tier; None means any.

    `figure`: the multiplier (COST_TIMES, 0 to 1000), the percentage of the price that is margin (MARGIN, 0
    to below 100), or the percentage off list (LIST_LESS, 0 to 100). Holds from `valid_from` to
    `valid_until`, both included.
    """

    basis: PriceBasis
    figure: Decimal
    valid_from: date
    code: str | None = None
    category: str | None = None
    maker: str | None = None
    tier: str | None = None
    valid_until: date | None = None

    def __post_init__(self) -> None:
        most = Decimal(1000) if self.basis is PriceBasis.COST_TIMES else Decimal(100)
        figure = self.figure
        if not isinstance(figure, Decimal) or not figure.is_finite() or not 0 <= figure <= most:
            raise BitternError("figure", f"Enter a number from 0 to {most:,}.")
        if self.basis is PriceBasis.MARGIN and figure == most:
            raise BitternError("figure", "A margin stays below 100 percent of the price.")
        if self.valid_until is not None and self.valid_until < self.valid_from:
            raise BitternError("valid_until", "The last day may not be before the first.")

    def can_price(self, cost_cents: int) -> bool:
        """Whether a price comes of it: a multiple or a margin of a cost that is not on record would be nothing."""
        return self.basis is PriceBasis.LIST_LESS or cost_cents > 0

    def price(self, cost_cents: int, list_cents: int) -> int:
        """The unit price, rounded half-up to the cent.

        >>> PriceRule(PriceBasis.MARGIN, Decimal(40), date(2026, 1, 1)).price(2100, 0)
        3500
        """
        figure = Fraction(self.figure)
        if self.basis is PriceBasis.COST_TIMES:
            exact = cost_cents * figure
        elif self.basis is PriceBasis.MARGIN:
            exact = cost_cents / (1 - figure / 100)
        else:
            exact = list_cents * (1 - figure / 100)
        price = half_up(exact)
        if price > MAX_CENTS:
            raise BitternError("figure", f"This rule would make a price above {show_cents(MAX_CENTS)}.")
        return price


class PriceRules:
    """Rules, and the one that counts: an item's before a category's, a category's before a maker's, a maker's
    before a general one; within these a tier's before any tier's; then the latest begun.
    """

    def __init__(self, rules: Iterable[PriceRule]) -> None:
        self.rules = tuple(rules)
        seen: set[tuple[str | None, ...]] = set()
        twice: list[Problem] = []
        for rule in self.rules:
            key = (rule.code, rule.category, rule.maker, rule.tier, rule.valid_from.isoformat())
            if key in seen:
                named = rule.code or rule.category or rule.maker or "everything"
                twice.append(Problem("rules", f"Two price rules for {named} begin on the same day; keep one."))
            seen.add(key)
        if twice:
            raise Problems(twice)

    def rule(self, code: str, category: str, maker: str | None, tier: str | None, on: date) -> PriceRule | None:
        """The rule that counts on a day, None when no rule speaks of the item: its book price then stands."""
        fitting = [
            rule
            for rule in self.rules
            if rule.code in (None, code)
            and rule.category in (None, category)
            and rule.maker in (None, maker)
            and rule.tier in (None, tier)
            and rule.valid_from <= on
            and (rule.valid_until is None or on <= rule.valid_until)
        ]
        return max(
            fitting,
            key=lambda rule: (
                rule.code is not None,
                rule.category is not None,
                rule.maker is not None,
                rule.tier is not None,
                rule.valid_from,
            ),
            default=None,
        )


def margin_percent(unit_cents: int, cost_cents: int) -> Fraction | None:
    """The part of the price that is not cost, in percent, exact; None for a price of nothing.

    >>> margin_percent(3500, 2100)
    Fraction(40, 1)
    """
    return Fraction(100 * (unit_cents - cost_cents), unit_cents) if unit_cents else None


def least_price(cost_cents: int, least_percent: Decimal) -> int:
    """The smallest whole-cent price whose margin is at least `least_percent` (0 to below 100).

    >>> least_price(2000, Decimal(30))
    2858
    """
    if not isinstance(least_percent, Decimal) or not least_percent.is_finite() or not 0 <= least_percent < 100:
        raise BitternError("least_percent", "Enter a margin from 0 to below 100 percent.")
    return ceil(cost_cents / (1 - Fraction(least_percent) / 100))


@dataclass(frozen=True, slots=True)
class MarginWarning:
    """A price that earns less than the guard asks; for the owner, not refused."""

    row: PriceRow
    least_cents: int
    sentence: str


def guard_margin(rows: Iterable[PriceRow], least_percent: Decimal) -> tuple[MarginWarning, ...]:
    """Each row priced below the guard, with the smallest price that would pass."""
    found = []
    for row in rows:
        least = least_price(row.cost_cents, least_percent)
        if row.unit_cents < least:
            margin = margin_percent(row.unit_cents, row.cost_cents)
            earns = "nothing" if margin is None else f"{half_up(margin)}% of it"
            found.append(
                MarginWarning(
                    row,
                    least,
                    f"{row.code} at {show_cents(row.unit_cents)} costs {show_cents(row.cost_cents)} and earns "
                    f"{earns}; {least_percent.normalize():f}% needs {show_cents(least)}.",
                )
            )
    return tuple(found)
