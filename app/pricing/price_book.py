"""The price book: dated rows by code, customer tier and quantity, and the one that holds on a day."""

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction

from app.errors import BitternError, Problem, Problems
from app.pricing.money import MAX_CENTS, half_up, show_cents
from app.pricing.terms import PriceKind
from app.pricing.workdays import Dated, show_day


@dataclass(frozen=True, slots=True)
class PriceRow(Dated):
    """One price: holds from `valid_from` to `valid_until`, both days included, None for no end.

    `tier` None is the price of every customer without a row of their tier. `quantity_from` is the smallest
    quantity it holds for. Raises `BitternError` on the field that cannot be.
    """

    code: str
    description: str
    category: str
    kind: PriceKind
    unit_cents: int
    cost_cents: int
    valid_from: date
    valid_until: date | None = None
    tier: str | None = None
    quantity_from: int = 1

    def __post_init__(self) -> None:
        if not isinstance(self.code, str) or not self.code.strip() or len(self.code) > 80:
            raise BitternError("code", "Give a code of 1 to 80 characters.")
        for field, cents in (("unit_cents", self.unit_cents), ("cost_cents", self.cost_cents)):
            if type(cents) is not int or not 0 <= cents <= MAX_CENTS:
                raise BitternError(field, f"Enter whole cents from 0 to {MAX_CENTS:,}.")
        if type(self.quantity_from) is not int or not 1 <= self.quantity_from <= 1_000_000:
            raise BitternError("quantity_from", "Enter a whole quantity from 1 to 1,000,000.")
        self.check_days()


class PriceBook:
    """Rows, and a look-up that never has two answers.

    Two rows of the same code, tier, first day and quantity would: `Problems` names each such pair.
    """

    def __init__(self, rows: Iterable[PriceRow]) -> None:
        self.rows = tuple(rows)
        self._by_code: defaultdict[str, list[PriceRow]] = defaultdict(list)
        for row in self.rows:
            self._by_code[row.code].append(row)
        starts = Counter((row.code, row.tier, row.valid_from, row.quantity_from) for row in self.rows)
        twice = [
            Problem(
                code, f"Two prices for the same tier and quantity ({quantity:,}) begin on {show_day(day)}; keep one."
            )
            for (code, _, day, quantity), count in starts.items()
            if count > 1
        ]
        if twice:
            raise Problems(twice)

    def __contains__(self, code: str) -> bool:
        """Whether the book has any row for the code, on whatever day."""
        return code in self._by_code

    def codes(self) -> tuple[str, ...]:
        """All codes, in the order in which they first appear."""
        return tuple(self._by_code)

    def price(self, code: str, on: date, tier: str | None = None, quantity: int = 1) -> PriceRow:
        """The row that holds: the customer's tier before no tier, then the largest `quantity_from` not above
        `quantity`, then the latest `valid_from`: a new price for one each leaves the quantity breaks as they are,
        until each has a new price or an end of its own. `BitternError` naming the code when there is none.
        """
        known = self._by_code.get(code, [])
        fitting = [
            row for row in known if row.holds_on(on) and row.tier in (None, tier) and row.quantity_from <= quantity
        ]
        if fitting:
            return max(fitting, key=lambda row: (row.tier is not None, row.quantity_from, row.valid_from))
        shown = code if len(code) <= 40 else f"{code[:39]}…"
        if not known:
            raise BitternError("code", f"There is no price for {shown}; enter it under Goods.")
        raise BitternError(
            "code",
            f"{shown} has prices, but none that holds on {show_day(on)} for {quantity:,} and this customer.",
        )

    def cheaper_more(self, code: str, on: date, tier: str | None, quantity: int) -> tuple[int, int] | None:
        """The least larger quantity of a price break that costs less in all than `quantity`, and what it costs in
        cents; None where there is none. A break on all pieces makes such gaps just below it.
        """
        whole = self.price(code, on, tier, quantity).unit_cents * quantity
        for start in sorted({row.quantity_from for row in self._by_code[code] if row.quantity_from > quantity}):
            if (cents := self.price(code, on, tier, start).unit_cents * start) < whole:
                return start, cents
        return None


class PriceBasis(StrEnum):
    """What a rule works from."""

    COST_TIMES = "cost times"
    MARGIN = "margin"
    LIST_LESS = "list less"


@dataclass(frozen=True, slots=True)
class PriceRule(Dated):
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
        self.check_days()

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
        starts = Counter((one.code, one.category, one.maker, one.tier, one.valid_from) for one in self.rules)
        twice = [
            Problem(
                "rules",
                f"Two price rules for {code or category or maker or 'everything'} begin on the same day; keep one.",
            )
            for (code, category, maker, _, _), count in starts.items()
            if count > 1
        ]
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
            and rule.holds_on(on)
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
