"""What keying costs at any quantity, as exact functions of it, and from which quantity on the factory costs no more.

The mix of a request is kept when the quantity changes: the same share of each cylinder type, the same keys and
goods per cylinder. At the request's own quantity nothing is approximate.
"""

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from math import lcm
from typing import NamedTuple

from app.errors import BitternError
from app.pricing.money import half_up
from app.pricing.request import KeyingRequest, RecordsHolder
from app.pricing.terms import MAX_CYLINDERS, BenchTerms, FactoryTerms, KeyingKind


@dataclass(frozen=True, slots=True)
class CostLine:
    """One line of a way's cost, rounded half-up to the cent by itself, so that lines add up in print."""

    label: str
    cents: int


@dataclass(frozen=True, slots=True)
class Straight:
    """(fixed + each × quantity) / denominator cents, rounded half-up, a credit as its charge."""

    fixed: int
    each: int
    denominator: int = 1

    def at(self, quantity: int) -> int:
        doubled = 2 * (self.fixed + self.each * quantity)
        if doubled < 0:
            return -((self.denominator - doubled) // (2 * self.denominator))
        return (doubled + self.denominator) // (2 * self.denominator)


@dataclass(frozen=True, slots=True)
class _Part:
    """A named part of the cost: a straight line from each of its starting quantities to the next."""

    label: str
    starts: tuple[int, ...]
    lines: tuple[Straight, ...]

    def line_at(self, quantity: int) -> Straight:
        """The straight line that holds at a quantity."""
        return self.lines[bisect_right(self.starts, quantity) - 1]

    def at(self, quantity: int) -> int:
        return self.line_at(quantity).at(quantity)


@dataclass(frozen=True, slots=True)
class CostCurve:
    """Cost against quantity for one way; all cents exact."""

    parts: tuple[_Part, ...]

    def cents_at(self, quantity: int) -> int:
        """The whole cost of `quantity` cylinders of the request's mix, at least 1."""
        return sum([part.at(quantity) for part in self.parts])

    def straights_at(self, quantity: int) -> list[Straight]:
        """The straight lines whose sum the cost is, from the corner before a quantity to the next."""
        return [part.line_at(quantity) for part in self.parts]

    def lines_at(self, quantity: int) -> tuple[CostLine, ...]:
        """The same cost by line; lines of nothing are left out."""
        lines = (CostLine(part.label, part.at(quantity)) for part in self.parts)
        return tuple(line for line in lines if line.cents)

    @property
    def steps(self) -> tuple[int, ...]:
        """Quantities at which the cost changes its slope or jumps."""
        return tuple(sorted({start for part in self.parts for start in part.starts if start > 1}))


def _straight(label: str, fixed: int, each: int, denominator: int = 1) -> _Part:
    return _Part(label, (1,), (Straight(fixed, each, denominator),))


def bench_minutes(request: KeyingRequest, bench: BenchTerms) -> tuple[Fraction, Fraction, Fraction]:
    """Minutes of set-up, of pinning and checking, with a construction key's balls, and of cutting all keys."""
    if request.kind is KeyingKind.NONE:
        return Fraction(0), Fraction(0), Fraction(0)
    zero, kind = Fraction(0), bench.counted_as(request.kind)
    setup = bench.extension_minutes if request.extends_records else bench.setup_minutes.get(kind, zero)
    extra = bench.kind_minutes.get(kind, zero) + bench.checking_minutes
    pinning = sum((n * ((bench.minutes_of(one) or zero) + extra) for one, n in request.cylinders.items()), zero)
    if request.set_up:
        pinning += request.set_up * bench.construction_minutes
    return setup, pinning, request.keys * bench.key_minutes


def bench_curve(request: KeyingRequest, bench: BenchTerms) -> CostCurve:
    """The bench's cost: set-up, pinning and checking, pins, cutting, blanks.

    Uncombinated cylinders cost no bench time and no pins; keys with them are blanks, uncut.
    """
    hour = bench.labour_cents_per_hour
    (setup, of_setup), (pinning, of_pinning), (cutting, of_cutting) = (
        minutes.as_integer_ratio() for minutes in bench_minutes(request, bench)
    )
    is_pinned = request.kind is not KeyingKind.NONE
    pins = bench.pins.get(bench.counted_as(request.kind), 0) if is_pinned else 0
    cuts = request.keys * bench.key_cut_cents if is_pinned else 0
    set_up = "Adding to the system from its records" if request.extends_records else "Set-up at the bench"
    pinned = "Pinning, construction key and checking" if request.set_up else "Pinning and checking"
    return CostCurve(
        (
            _straight(set_up, setup * hour, 0, of_setup * 60),
            _straight(pinned, 0, pinning * hour, of_pinning * 60 * request.quantity),
            _straight("Pins", 0, pins * bench.pin_cents),
            _straight("Cutting keys", 0, cutting * hour + cuts * of_cutting * 60, of_cutting * 60 * request.quantity),
            _straight("Key blanks", 0, request.keys * bench.key_blank_cents, request.quantity),
        )
    )


def lent_cores_cost(request: KeyingRequest, bench: BenchTerms) -> tuple[Fraction, int]:
    """Minutes and cents of a site's construction cores with their keys: pinned as is asked, fitted and changed."""
    changing = request.quantity * bench.core_change_minutes
    pinned = bench_curve(request, bench).cents_at(request.quantity)
    labor = half_up(changing * bench.labour_cents_per_hour / 60)
    return sum(bench_minutes(request, bench), changing), pinned + labor


def labor_lines(request: KeyingRequest, bench: BenchTerms) -> list[Straight]:
    """The bench's cost of the request as straight lines of the cents that an hour of its labor costs."""
    (setup, of_setup), (pinning, of_pinning), (cutting, of_cutting) = (
        minutes.as_integer_ratio() for minutes in bench_minutes(request, bench)
    )
    others = replace(bench, labour_cents_per_hour=0)
    return [
        Straight(0, setup, of_setup * 60),
        Straight(0, pinning, of_pinning * 60),
        Straight(0, cutting, of_cutting * 60),
        Straight(bench_curve(request, others).cents_at(request.quantity), 0),
    ]


SMALL_ORDER, UNTAKEN_KEYS = "Small-order charge", "Keys not taken"
_NEVER = 2**62  # no order is as large


def whole_order(request: KeyingRequest, terms: FactoryTerms) -> int:
    """The smallest quantity that is not under one of the factory's minimums.

    The goods' value at another quantity of the same mix counts half-up to the cent.
    """
    least = max(1, terms.min_cylinders)
    if request.goods_cents is not None and terms.min_order_cents:
        if not request.goods_cents:
            return _NEVER
        enough = (2 * terms.min_order_cents - 1) * request.quantity
        least = max(least, -(-enough // (2 * request.goods_cents)))
    return least


def takes_small_order(request: KeyingRequest, terms: FactoryTerms) -> bool:
    """Whether the factory keys the request under its minimum, too: for its charge, where somebody agreed to that or
    the bench may not do the work.
    """
    is_forced = request.joins_records and request.records is RecordsHolder.FACTORY
    is_forced = is_forced or request.keyway in terms.factory_only_keyways
    return terms.small_order_cents is not None and (request.pays_small_order or is_forced)


def untaken_keys(request: KeyingRequest, terms: FactoryTerms) -> int:
    """How many of the keys that come with the cylinders the factory takes off, since they are not wanted.

    Cylinders without pins come without keys.
    """
    if request.kind is KeyingKind.NONE or not terms.untaken_key_cents:
        return 0
    return max(0, request.quantity * terms.keys_included - request.keys)


def factory_curve(request: KeyingRequest, terms: FactoryTerms) -> CostCurve:
    """The factory's cost: set-up or extension, keying by quantity break, keys beyond those included, less those not
    taken, freight, and what an order under its minimums costs beside.
    """
    setup = terms.extension_cents if request.extends_records else terms.setup_cents.get(request.kind, 0)
    cents = terms.per_cylinder_cents.get(request.kind, 0)
    further_keys = max(0, request.keys - request.quantity * terms.keys_included)
    starts, keying = [1], [Straight(0, cents)]
    for step in terms.quantity_breaks:
        percent, of_percent = step.percent_off.as_integer_ratio()
        starts.append(step.quantity_from)
        keying.append(Straight(0, cents * (100 * of_percent - percent), 100 * of_percent))
    small = _straight(SMALL_ORDER, 0, 0)
    if takes_small_order(request, terms):
        charge = Straight(terms.small_order_cents or 0, 0)
        small = _Part(SMALL_ORDER, (1, whole_order(request, terms)), (charge, Straight(0, 0)))
    off = terms.untaken_key_cents * untaken_keys(request, terms)
    untaken = (_straight(UNTAKEN_KEYS, 0, -off, request.quantity),) if off else ()
    freight = ((1, 0), *((step.quantity_from, step.cents) for step in terms.freight))
    return CostCurve(
        (
            _straight("Extension at the factory" if request.extends_records else "Set-up at the factory", setup, 0),
            # A step at 1 stands behind the one that holds without it, and is found in its place.
            _Part("Keying at the factory", tuple(starts), tuple(keying)),
            _straight("Further keys", 0, terms.per_key_cents * further_keys, request.quantity),
            *untaken,
            small,
            _Part("Freight", tuple(start for start, _ in freight), tuple(Straight(cents, 0) for _, cents in freight)),
        )
    )


BREAK_EVEN_LIMIT = 5_000


@dataclass(frozen=True, slots=True)
class BreakEven:
    """Where the factory is the better buy, for quantities 1 to `limit` of the request's mix.

    `ranges` are all runs of quantities, first and last included, at which the factory takes the order (its
    minimums, unless it takes smaller orders for a charge) and costs no more than the bench, to the cent. Breaks
    and freight steps can make more than one run. `quantity` is the first of the first run: the smallest quantity at
    which the factory takes the order and costs no more; None when there is none up to `limit`. Dates,
    records and bench hours do not enter: they are judged at the request's own quantity.
    """

    quantity: int | None
    ranges: tuple[tuple[int, int], ...]
    limit: int

    @property
    def holds_to_the_limit(self) -> bool:
        """Whether the factory, once the better buy, stays so."""
        return len(self.ranges) == 1 and self.ranges[0][1] == self.limit


class CurvePoint(NamedTuple):
    """Cost of both ways at one quantity; the factory's is None below its minimums."""

    quantity: int
    shop_cents: int
    factory_cents: int | None


def comparable(request: KeyingRequest, bench: BenchTerms, terms: FactoryTerms) -> bool:
    """Whether both ways have a cost at all."""
    if request.kind is KeyingKind.NONE:
        return True
    return (
        request.kind in terms.per_cylinder_cents
        and bench.counted_as(request.kind) in bench.kind_minutes
        and all(bench.minutes_of(one) is not None for one in request.cylinders)
    )


def first_order(request: KeyingRequest, terms: FactoryTerms, limit: int) -> int:
    """The smallest quantity that the factory takes; limit + 1 when it takes none up to there."""
    return 1 if takes_small_order(request, terms) else min(whole_order(request, terms), limit + 1)


def break_even(
    request: KeyingRequest, bench: BenchTerms, terms: FactoryTerms, limit: int = BREAK_EVEN_LIMIT
) -> BreakEven:
    """The break-even quantity and every run of quantities where the factory is the better buy.

    Between two corners both costs are sums of straight lines, so that only where they come within the rounding of
    each other a quantity has to be tried.
    """
    if not 1 <= limit <= MAX_CYLINDERS:
        raise BitternError("limit", f"Give a limit from 1 to {MAX_CYLINDERS:,} cylinders.")
    if not comparable(request, bench, terms):
        return BreakEven(None, (), limit)
    shop, factory = bench_curve(request, bench), factory_curve(request, terms)
    first = first_order(request, terms, limit)
    corners = [first, *(step for step in factory.steps if first < step <= limit), limit + 1]
    runs: list[tuple[int, int]] = []
    for corner, next_corner in pairwise(corners):
        straights = factory.straights_at(corner), shop.straights_at(corner)
        for start, last in _no_dearer(*straights, corner, next_corner - 1):
            if runs and runs[-1][1] == start - 1:
                runs[-1] = (runs[-1][0], last)
            else:
                runs.append((start, last))
    return BreakEven(runs[0][0] if runs else None, tuple(runs), limit)


def _no_dearer(one: list[Straight], other: list[Straight], first: int, last: int) -> Iterator[tuple[int, int]]:
    """Runs of quantities from `first` to `last` at which `one` costs no more than `other`; runs may adjoin.

    Each line is off by half a cent at most, so the exact difference decides wherever it is larger than all of that
    together. What is left is tried; elsewhere the costs keep one order, up to where the exact lines cross.
    """
    common = lcm(*(line.denominator for line in (*one, *other)))
    fixed = sum(line.fixed * (common // line.denominator) for line in one)
    fixed -= sum(line.fixed * (common // line.denominator) for line in other)
    each = sum(line.each * (common // line.denominator) for line in one)
    each -= sum(line.each * (common // line.denominator) for line in other)
    rounding = (len(one) + len(other)) * common

    def surely_less(quantity: int) -> bool:
        return 2 * (fixed + each * quantity) <= -rounding

    doubt, clear = _within(2 * fixed, 2 * each, rounding, first, last)
    if doubt > first and surely_less(first):
        yield first, doubt - 1
    for quantity in range(doubt, clear):
        if sum([line.at(quantity) for line in one]) <= sum([line.at(quantity) for line in other]):
            yield quantity, quantity
    if clear <= last and surely_less(last):
        yield clear, last


def _within(fixed: int, each: int, most: int, first: int, last: int) -> tuple[int, int]:
    """The quantities of a range at which fixed + each × quantity is no further from 0 than `most`: first and end.

    Where there are none, first and end are the same: the quantity before which the line is on one side.
    """
    if each == 0:
        return (first, last + 1) if -most <= fixed <= most else (first, first)
    if each < 0:
        fixed, each = -fixed, -each
    start = -((most + fixed) // each)
    end = (most - fixed) // each + 1
    return min(max(first, start), last + 1), min(max(first, end), last + 1)


def cost_points(
    request: KeyingRequest, bench: BenchTerms, terms: FactoryTerms, last: int, most: int = 200
) -> tuple[CurvePoint, ...]:
    """Points of both curves from 1 to `last` for a chart: evenly spread, about `most`, none of the corners lost.

    The request's own quantity, each step and the quantity before it, the first order the factory takes and the
    break-even quantity are always among them. Empty when one way has no cost.
    """
    if not 1 <= last <= MAX_CYLINDERS:
        raise BitternError("last", f"Give a last quantity from 1 to {MAX_CYLINDERS:,}.")
    if not comparable(request, bench, terms):
        return ()
    shop, factory = bench_curve(request, bench), factory_curve(request, terms)
    first = first_order(request, terms, last)
    crossing = break_even(request, bench, terms, last).quantity
    wanted = set(range(1, last + 1, max(1, last // max(1, most)))) | {last, request.quantity, first, first - 1}
    wanted |= {near for step in factory.steps for near in (step - 1, step)}
    if crossing is not None:
        wanted |= {crossing, crossing - 1}
    return tuple(
        CurvePoint(one, shop.cents_at(one), factory.cents_at(one) if one >= first else None)
        for one in sorted(wanted)
        if 1 <= one <= last
    )
