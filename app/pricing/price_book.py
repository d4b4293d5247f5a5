"""The price book: dated rows by code, customer tier and quantity, and the one that holds on a day."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from app.errors import BitternError, Problem, Problems
from app.pricing.kinds import LineKind
from app.pricing.money import MAX_CENTS
from app.pricing.workdays import show_day


@dataclass(frozen=True, slots=True)
class PriceRow:
    """One price: holds from `valid_from` to `valid_until`, both days included, None for no end.

    `tier` None is the price of every customer without a row of their tier. `quantity_from` is the smallest
    quantity it holds for. Raises `BitternError` on the field that cannot be.
    """

    code: str
    description: str
    category: str
    kind: LineKind
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
        if self.valid_until is not None and self.valid_until < self.valid_from:
            raise BitternError("valid_until", "The last day may not be before the first.")

    def holds_on(self, day: date) -> bool:
        """Whether the row is valid on `day`."""
        return self.valid_from <= day and (self.valid_until is None or day <= self.valid_until)


class PriceBook:
    """Rows, and a look-up that never has two answers.

    Two rows of the same code, tier, first day and quantity would: `Problems` names each such pair.
    """

    def __init__(self, rows: Iterable[PriceRow]) -> None:
        self.rows = tuple(rows)
        self._by_code: defaultdict[str, list[PriceRow]] = defaultdict(list)
        seen: set[tuple[str, str | None, date, int]] = set()
        twice: list[Problem] = []
        for row in self.rows:
            key = (row.code, row.tier, row.valid_from, row.quantity_from)
            if key in seen:
                twice.append(
                    Problem(
                        row.code,
                        f"Two prices for the same tier and quantity ({row.quantity_from:,}) begin on "
                        f"{show_day(row.valid_from)}; keep one.",
                    )
                )
            seen.add(key)
            self._by_code[row.code].append(row)
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
            raise BitternError("code", f"There is no price for {shown}; enter it in the price book.")
        raise BitternError(
            "code",
            f"{shown} has prices, but none that holds on {show_day(on)} for {quantity:,} and this customer.",
        )
