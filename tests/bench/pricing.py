"""Prints how long a decision takes, as ratios: against a plain scan with fractions, and as the limit grows.

Run: python tests/bench/pricing.py
"""

import json
from cProfile import Profile
from datetime import date
from fractions import Fraction
from pathlib import Path
from pstats import Stats
from time import perf_counter

from app.pricing import (
    BenchTerms,
    CylinderType,
    FactoryTerms,
    KeyingKind,
    KeyingRequest,
    break_even,
    cost_points,
    decide,
    find_flips,
    half_up,
)

TERMS = Path(__file__).resolve().parents[2] / "demo_data" / "terms"


def best(function, turns=5):
    """The least seconds of some turns, and the last answer."""
    seconds = []
    for _ in range(turns):
        start = perf_counter()
        answer = function()
        seconds.append(perf_counter() - start)
    return min(seconds), answer


def plain_scan(bench, factory, limit):
    """The search as one would first write it: fractions for every line at every quantity."""
    kind, minute = KeyingKind.GMK, Fraction(bench.labour_cents_per_hour, 60)
    pinning = bench.type_minutes[CylinderType.MORTISE] + bench.kind_minutes[kind] + bench.checking_minutes
    for n in range(1, limit + 1):
        shop = half_up(bench.setup_minutes[kind] * minute) + half_up(n * pinning * minute)
        shop += n * bench.pins[kind] * bench.pin_cents
        shop += half_up(2 * n * (bench.key_minutes * minute + bench.key_cut_cents)) + 2 * n * bench.key_blank_cents
        off = max(
            (Fraction(step.percent_off) for step in factory.quantity_breaks if n >= step.quantity_from), default=0
        )
        away = factory.setup_cents[kind] + half_up(n * factory.per_cylinder_cents[kind] * (100 - off) / 100)
        away += [step.cents for step in factory.freight if n >= step.quantity_from][-1]
        if n >= factory.min_cylinders and away <= shop:
            yield n


def calls_of_a_line(bench):
    """Function calls that the line of the demo's third job takes to be priced again, with its flips and its chart."""
    factory = FactoryTerms.from_json(json.loads((TERMS / "factory_nor.json").read_text()))
    asked = KeyingRequest(
        KeyingKind.MK, {CylinderType.SFIC: 6}, 12, date(2026, 3, 2), goods_cents=11_160, keyway="NH1"
    )
    profile = Profile()
    profile.enable()
    decision = decide(asked, bench, factory)
    find_flips(decision, bench, factory)
    cost_points(asked, bench, factory, 12, most=1)
    profile.disable()
    return Stats(profile).total_calls


def main():
    bench = BenchTerms.from_json(json.loads((TERMS / "bench.json").read_text()))
    factory = FactoryTerms.from_json(json.loads((TERMS / "factory_ard.json").read_text()))
    ask = KeyingRequest(KeyingKind.GMK, {CylinderType.MORTISE: 1}, 2, date(2026, 3, 2))

    plain, quantities = best(lambda: list(plain_scan(bench, factory, 5_000)))
    ours, found = best(lambda: break_even(ask, bench, factory))
    assert found.ranges == ((quantities[0], quantities[-1]),)
    print(f"break-even to 5,000: {plain / ours:.1f} times as fast as a plain scan with fractions")
    tenth, _ = best(lambda: break_even(ask, bench, factory, 500))
    print(f"  a tenth of the limit takes 1/{ours / tenth:.0f} of the time")
    whole, _ = best(lambda: decide(ask, bench, factory))
    print(f"a whole decision: {whole / ours:.2f} times its break-even search")
    print(f"the demo's third job, its line priced again: {calls_of_a_line(bench):,} function calls")


if __name__ == "__main__":
    main()
