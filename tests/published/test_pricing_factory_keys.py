"""Keys that come with the factory's cylinders and are not wanted, and what comes off for them."""

from dataclasses import replace
from datetime import date

import pytest

from app.pricing import BenchTerms, CylinderType, FactoryTerms, KeyingKind, KeyingRequest, decide
from tests.pricing.demo_terms import terms_json


@pytest.mark.parametrize(("wanted", "deducted"), [(20, 80), (100, 0), (0, 100), (130, 0)])
def test_fewer_keys_than_two_a_cylinder_are_deducted(wanted: int, deducted: int) -> None:
    """N17: 50 cylinders alike bring 100 keys; where 20 are wanted, 80 are deducted from the price (P, a lock maker's
    public notes on ordering fewer keys). What a key brings is invented, .35; the other counts are ours (C).
    """
    bench = BenchTerms.from_json(terms_json("bench"))
    plain = FactoryTerms.from_json(terms_json("factory_ard"))
    asked = KeyingRequest(KeyingKind.KA, {CylinderType.MORTISE: 50}, wanted, date(2026, 3, 2), goods_cents=50 * 4250)
    before, after = (decide(asked, bench, one) for one in (plain, replace(plain, untaken_key_cents=35)))
    off = [line.cents for line in after.factory.lines if line.label == "Keys not taken"]
    assert off == ([-35 * deducted] if deducted else [])
    assert (after.factory.total_cents or 0) - (before.factory.total_cents or 0) == -35 * deducted
    said = f"Of the 100 keys that come with them from the factory it takes {deducted} off its price."
    assert (said in after.reasons) is bool(deducted) and not any("off its price" in one for one in before.reasons)


def test_a_deduction_above_what_keying_costs_is_a_credit() -> None:
    """N17 with the demo's terms (C): 14 cylinders keyed alike, no keys.

    Bench: 14 x 10 minutes at 46.00 an hour, 107.33, and 14 x 12 pins at .04, 6.72: 114.05. Factory: keying 14 x 1.90,
    26.60, and freight 28.00; less 28 keys at 2.50, 70.00: a credit of 15.40.
    """
    bench = BenchTerms.from_json(terms_json("bench"))
    terms = replace(FactoryTerms.from_json(terms_json("factory_ard")), untaken_key_cents=250)
    asked = KeyingRequest(KeyingKind.KA, {CylinderType.MORTISE: 14}, 0, date(2026, 3, 2), goods_cents=14 * 4250)
    decision = decide(asked, bench, terms)
    assert (decision.shop.total_cents, decision.factory.total_cents) == (114_05, -15_40)
