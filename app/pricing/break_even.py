"""From which quantity on the factory costs no more than the bench: a search of whole numbers, never a formula."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from app.errors import BitternError
from app.pricing.ask import KeyingAsk
from app.pricing.bench_terms import BenchTerms
from app.pricing.costs import bench_curve, factory_curve
from app.pricing.factory_terms import MAX_CYLINDERS, FactoryTerms
from app.pricing.kinds import KeyingKind
from app.pricing.money import half_up

BREAK_EVEN_LIMIT = 5_000


@dataclass(frozen=True, slots=True)
class BreakEven:
    """Where the factory is the better buy, for quantities 1 to `limit` of the ask's mix.

    `ranges` are all runs of quantities, first and last included, at which the factory takes the order (its
    minimum of cylinders and of goods) and costs no more than the bench, to the cent. Breaks and freight
    steps can make more than one run. `quantity` is the first of the first run: the smallest quantity at
    which the factory takes the order and costs no more; None when there is none up to `limit`. Dates,
    records and bench hours do not enter: they are judged at the quantity that is asked for.
    """

    quantity: int | None
    ranges: tuple[tuple[int, int], ...]
    limit: int

    @property
    def holds_to_the_limit(self) -> bool:
        """Whether the factory, once the better buy, stays so."""
        return len(self.ranges) == 1 and self.ranges[0][1] == self.limit


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """Cost of both ways at one quantity; `factory_takes_it` is False below the factory's minimums."""

    quantity: int
    shop_cents: int
    factory_cents: int
    factory_takes_it: bool


def comparable(ask: KeyingAsk, bench: BenchTerms, terms: FactoryTerms) -> bool:
    """Whether both ways have a cost at all."""
    if ask.kind is KeyingKind.NONE:
        return True
    return (
        ask.kind in terms.per_cylinder_cents
        and ask.kind in bench.kind_minutes
        and all(one in bench.type_minutes for one in ask.cylinders)
    )


def goods_at(ask: KeyingAsk, quantity: int) -> int | None:
    """The goods' value at another quantity of the same mix, half-up to the cent."""
    if ask.goods_cents is None:
        return None
    return half_up(Fraction(ask.goods_cents * quantity, ask.quantity))


def first_order(ask: KeyingAsk, terms: FactoryTerms, limit: int) -> int:
    """The smallest quantity that the factory's minimums let through; limit + 1 when none does."""
    least = max(1, terms.min_cylinders)
    if ask.goods_cents is None or least > limit:
        return min(least, limit + 1)
    low, high = least, limit + 1
    while low < high:
        middle = (low + high) // 2
        if (goods_at(ask, middle) or 0) >= terms.min_order_cents:
            high = middle
        else:
            low = middle + 1
    return low


def break_even(ask: KeyingAsk, bench: BenchTerms, terms: FactoryTerms, limit: int = BREAK_EVEN_LIMIT) -> BreakEven:
    """The break-even quantity and every run of quantities where the factory is the better buy."""
    if not 1 <= limit <= MAX_CYLINDERS:
        raise BitternError("limit", f"Give a limit from 1 to {MAX_CYLINDERS:,} cylinders.")
    if not comparable(ask, bench, terms):
        return BreakEven(None, (), limit)
    shop, factory = bench_curve(ask, bench), factory_curve(ask, terms)
    ranges: list[tuple[int, int]] = []
    start: int | None = None
    for quantity in range(first_order(ask, terms, limit), limit + 1):
        if factory.cents_at(quantity) <= shop.cents_at(quantity):
            start = quantity if start is None else start
        elif start is not None:
            ranges.append((start, quantity - 1))
            start = None
    if start is not None:
        ranges.append((start, limit))
    return BreakEven(ranges[0][0] if ranges else None, tuple(ranges), limit)


def cost_points(
    ask: KeyingAsk, bench: BenchTerms, terms: FactoryTerms, last: int, most: int = 200
) -> tuple[CurvePoint, ...]:
    """Points of both curves from 1 to `last` for a chart: evenly spread, about `most`, none of the corners lost.

    The ask's own quantity, each step and the quantity before it, the first order the factory takes and the
    break-even quantity are always among them. Empty when one way has no cost.
    """
    if not 1 <= last <= MAX_CYLINDERS:
        raise BitternError("last", f"Give a last quantity from 1 to {MAX_CYLINDERS:,}.")
    if not comparable(ask, bench, terms):
        return ()
    shop, factory = bench_curve(ask, bench), factory_curve(ask, terms)
    first = first_order(ask, terms, last)
    crossing = break_even(ask, bench, terms, last).quantity
    wanted = set(range(1, last + 1, max(1, last // max(1, most)))) | {last, ask.quantity, first, first - 1}
    wanted |= {near for step in factory.steps for near in (step - 1, step)}
    if crossing is not None:
        wanted |= {crossing, crossing - 1}
    return tuple(
        CurvePoint(one, shop.cents_at(one), factory.cents_at(one), one >= first)
        for one in sorted(wanted)
        if 1 <= one <= last
    )
