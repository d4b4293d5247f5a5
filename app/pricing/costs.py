"""What keying costs at any quantity: the bench's and the factory's cost lines as exact functions of it.

The mix of an ask is kept when the quantity changes: the same share of each cylinder type, the same keys and
goods per cylinder. At the ask's own quantity nothing is approximate.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from fractions import Fraction
from math import lcm

from app.pricing.ask import KeyingAsk
from app.pricing.bench_terms import BenchTerms
from app.pricing.factory_terms import FactoryTerms
from app.pricing.kinds import KeyingKind


@dataclass(frozen=True, slots=True)
class CostLine:
    """One line of a way's cost, rounded half-up to the cent by itself, so that lines add up in print."""

    label: str
    cents: int


@dataclass(frozen=True, slots=True)
class _Linear:
    """(fixed + each × quantity) / denominator cents, rounded half-up; never negative."""

    fixed: int
    each: int
    denominator: int

    @classmethod
    def of(cls, fixed: Fraction | int, each: Fraction | int) -> _Linear:
        one, two = Fraction(fixed), Fraction(each)
        common = lcm(one.denominator, two.denominator)
        return cls(int(one * common), int(two * common), common)

    def at(self, quantity: int) -> int:
        return (2 * (self.fixed + self.each * quantity) + self.denominator) // (2 * self.denominator)


@dataclass(frozen=True, slots=True)
class _Part:
    """A named part of the cost: a straight line from each of its starting quantities to the next."""

    label: str
    starts: tuple[int, ...]
    lines: tuple[_Linear, ...]

    def at(self, quantity: int) -> int:
        return self.lines[bisect_right(self.starts, quantity) - 1].at(quantity)


@dataclass(frozen=True, slots=True)
class CostCurve:
    """Cost against quantity for one way; all cents exact."""

    parts: tuple[_Part, ...]

    def cents_at(self, quantity: int) -> int:
        """The whole cost of `quantity` cylinders of the ask's mix, at least 1."""
        return sum([part.at(quantity) for part in self.parts])

    def lines_at(self, quantity: int) -> tuple[CostLine, ...]:
        """The same cost by line; lines of nothing are left out."""
        lines = (CostLine(part.label, part.at(quantity)) for part in self.parts)
        return tuple(line for line in lines if line.cents)

    @property
    def steps(self) -> tuple[int, ...]:
        """Quantities at which the cost changes its slope or jumps."""
        return tuple(sorted({start for part in self.parts for start in part.starts[1:]}))


def _straight(label: str, fixed: Fraction | int, each: Fraction | int) -> _Part:
    return _Part(label, (1,), (_Linear.of(fixed, each),))


def bench_minutes(ask: KeyingAsk, bench: BenchTerms) -> tuple[Fraction, Fraction, Fraction]:
    """Minutes of set-up, of pinning and checking all cylinders, and of cutting all keys."""
    if ask.kind is KeyingKind.NONE:
        return Fraction(0), Fraction(0), Fraction(0)
    zero = Fraction(0)
    setup = bench.extension_minutes if ask.extends_records else bench.setup_minutes.get(ask.kind, zero)
    extra = bench.kind_minutes.get(ask.kind, zero) + bench.checking_minutes
    pinning = sum((n * (bench.type_minutes.get(one, zero) + extra) for one, n in ask.cylinders.items()), zero)
    return setup, pinning, ask.keys * bench.key_minutes


def bench_curve(ask: KeyingAsk, bench: BenchTerms) -> CostCurve:
    """The bench's cost: set-up, pinning and checking, pins, cutting, blanks.

    Uncombinated cylinders cost no bench time and no pins; keys with them are blanks, uncut.
    """
    setup, pinning, cutting = bench_minutes(ask, bench)
    cents_per_minute = Fraction(bench.labour_cents_per_hour, 60)
    share = Fraction(1, ask.quantity)
    uncut = ask.kind is KeyingKind.NONE
    pins = 0 if uncut else bench.pins.get(ask.kind, 0)
    set_up = "Adding to the system from its records" if ask.extends_records else "Set-up at the bench"
    return CostCurve(
        (
            _straight(set_up, setup * cents_per_minute, 0),
            _straight("Pinning and checking", 0, pinning * cents_per_minute * share),
            _straight("Pins", 0, pins * bench.pin_cents),
            _straight(
                "Cutting keys",
                0,
                cutting * cents_per_minute * share + (0 if uncut else ask.keys * bench.key_cut_cents * share),
            ),
            _straight("Key blanks", 0, ask.keys * bench.key_blank_cents * share),
        )
    )


def factory_curve(ask: KeyingAsk, terms: FactoryTerms) -> CostCurve:
    """The factory's cost: set-up or extension, keying by quantity break, keys beyond those included, freight."""
    setup = terms.extension_cents if ask.extends_records else terms.setup_cents.get(ask.kind, 0)
    each = terms.per_cylinder_cents.get(ask.kind, 0)
    keys_each = max(Fraction(0), Fraction(ask.keys, ask.quantity) - terms.keys_included)
    breaks = [(1, Fraction(0))] if not terms.quantity_breaks or terms.quantity_breaks[0].quantity_from > 1 else []
    breaks += [(step.quantity_from, Fraction(step.percent_off)) for step in terms.quantity_breaks]
    freight = [(1, 0)] if not terms.freight or terms.freight[0].quantity_from > 1 else []
    freight += [(step.quantity_from, step.cents) for step in terms.freight]
    return CostCurve(
        (
            _straight("Extension at the factory" if ask.extends_records else "Set-up at the factory", setup, 0),
            _Part(
                "Keying at the factory",
                tuple(start for start, _ in breaks),
                tuple(_Linear.of(0, each * (100 - percent) / 100) for _, percent in breaks),
            ),
            _straight("Further keys", 0, terms.per_key_cents * keys_each),
            _Part(
                "Freight",
                tuple(start for start, _ in freight),
                tuple(_Linear.of(cents, 0) for _, cents in freight),
            ),
        )
    )
