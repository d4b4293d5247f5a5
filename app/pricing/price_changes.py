"""Two price books side by side on a day: what came, what went, what changed and by how much."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from app.errors import BitternError
from app.pricing.price_book import PriceBook, PriceRow

Key = tuple[str, str | None, int]


@dataclass(frozen=True, slots=True)
class PriceChange:
    """One price before and after; None where there is none. `percent` is exact, None without a price before."""

    code: str
    tier: str | None
    quantity_from: int
    before: PriceRow | None
    after: PriceRow | None

    @property
    def unit_change_cents(self) -> int:
        """The price's change; a price that came or went counts in full."""
        return (self.after.unit_cents if self.after else 0) - (self.before.unit_cents if self.before else 0)

    @property
    def cost_change_cents(self) -> int:
        """The cost's change, in the same way."""
        return (self.after.cost_cents if self.after else 0) - (self.before.cost_cents if self.before else 0)

    @property
    def percent(self) -> Fraction | None:
        """The price's change in percent of the price before."""
        if self.before is None or self.after is None or not self.before.unit_cents:
            return None
        return Fraction(100 * self.unit_change_cents, self.before.unit_cents)


def prices_in_force(book: PriceBook, on: date) -> dict[Key, PriceRow]:
    """The prices that count on a day, by code, tier and starting quantity, as `PriceBook.price` would find them."""
    found: dict[Key, PriceRow] = {}
    for row in book.rows:
        if not row.holds_on(on):
            continue
        try:
            counting = book.price(row.code, on, row.tier, row.quantity_from)
        except BitternError:  # pragma: no cover - the row itself fits
            continue
        if counting is row:
            found[row.code, row.tier, row.quantity_from] = row
    return found


def compare_price_books(before: PriceBook, after: PriceBook, on: date) -> tuple[PriceChange, ...]:
    """Every price that differs on a day in amount, cost or wording, by code, tier and quantity."""
    one, two = prices_in_force(before, on), prices_in_force(after, on)
    changes = []
    for code, tier, quantity in sorted({*one, *two}, key=lambda key: (key[0], key[1] or "", key[2])):
        old, new = one.get((code, tier, quantity)), two.get((code, tier, quantity))
        if old is None or new is None or _counts(old) != _counts(new):
            changes.append(PriceChange(code, tier, quantity, old, new))
    return tuple(changes)


def _counts(row: PriceRow) -> tuple[object, ...]:
    return row.unit_cents, row.cost_cents, row.description, row.category, row.kind


def quantity_steps(book: PriceBook, code: str, on: date, tier: str | None = None) -> tuple[PriceRow, ...]:
    """The rows a customer of the tier pays by, from quantity 1 up; empty when the code has no price then."""
    starts = sorted({row.quantity_from for row in book.rows if row.code == code and row.holds_on(on)})
    steps: list[PriceRow] = []
    for quantity in starts:
        try:
            row = book.price(code, on, tier, quantity)
        except BitternError:
            continue  # a quantity that only other tiers' rows start at
        if not steps or steps[-1] != row:
            steps.append(row)
    return tuple(steps)
