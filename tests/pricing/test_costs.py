import os
import random
from decimal import Decimal
from fractions import Fraction
from itertools import groupby

import pytest

from app.errors import BitternError
from app.pricing import BenchTerms, FactoryTerms, break_even, cost_points, decide, half_up
from app.pricing.costs import bench_curve, factory_curve, first_order
from tests.pricing import second_costs
from tests.pricing.demo_terms import read_request_alone

CASES = int(os.environ.get("BREAK_EVEN_CASES", "1200"))
"""More by hand; 10,000 were tried when the search was written."""


def runs(better):
    """Runs of quantities, counted from 1, at which `better` is true."""
    found = []
    for yes, group in groupby(enumerate(better, 1), key=lambda one: one[1]):
        numbers = [number for number, _ in group]
        if yes:
            found.append((numbers[0], numbers[-1]))
    return tuple(found)


def test_300_random_terms_agree_with_a_scan_of_every_quantity():
    chance = random.Random(7)
    for _ in range(300):
        ask_json, bench_json, factory_json = second_costs.random_case(chance)
        expected = runs([second_costs.better_at_factory(ask_json, bench_json, factory_json, n) for n in range(1, 81)])
        found = break_even(
            read_request_alone(ask_json),
            BenchTerms.from_json(bench_json),
            FactoryTerms.from_json(factory_json),
            80,
        )
        assert found.ranges == expected


def plain_scan(ask, bench, terms, limit):
    """Every run by asking both curves at every quantity, as one would first write it."""
    shop, factory = bench_curve(ask, bench), factory_curve(ask, terms)
    first = first_order(ask, terms, limit)
    return runs([n >= first and factory.cents_at(n) <= shop.cents_at(n) for n in range(1, limit + 1)])


def nearly_alike(chance, ask_json, bench_json, factory_json):
    """Moves the factory's price of a cylinder to the bench's cost of one, so that only the rounding parts the two."""
    ask, bench = read_request_alone(ask_json), BenchTerms.from_json(bench_json)
    shop = bench_curve(ask, bench)
    each = Fraction(shop.cents_at(100_000) - shop.cents_at(1), 99_999)
    further = max(Fraction(0), Fraction(ask.keys, ask.quantity) - factory_json["keys_included"])
    keying = max(Fraction(1), each - further * factory_json["per_key_cents"])
    price = 2 * half_up(keying)
    percent = Decimal(half_up((1 - keying / price) * 1_000_000)).scaleb(-4)
    factory_json["per_cylinder_cents"][ask_json["kind"]] = price
    factory_json["quantity_breaks"] = [{"quantity_from": 1, "percent_off": str(percent)}]
    factory_json["freight"] = []
    cost = max(0, shop.cents_at(1) - half_up(each) + chance.randint(-2, 2))
    factory_json |= {"extension_cents": cost, "setup_cents": {ask_json["kind"]: cost}}


@pytest.mark.parametrize("seed", range(4))
def test_random_terms_agree_with_a_plain_scan_where_the_costs_nearly_run_alike_too(seed):
    chance = random.Random(seed)
    several = 0
    for number in range(CASES // 4):
        ask_json, bench_json, factory_json = second_costs.random_case(chance)
        if number % 2:
            nearly_alike(chance, ask_json, bench_json, factory_json)
        ask, bench = read_request_alone(ask_json), BenchTerms.from_json(bench_json)
        factory = FactoryTerms.from_json(factory_json)
        limit = chance.choice([1, 2, 59, 200])
        expected = plain_scan(ask, bench, factory, limit)
        assert break_even(ask, bench, factory, limit).ranges == expected
        several += len(expected) > 2
    assert several > CASES // 200  # the rounding makes gaps in many of them


def test_the_totals_at_the_quantity_asked_for_are_worked_out_a_second_time():
    chance = random.Random(8)
    for _ in range(300):
        ask_json, bench_json, factory_json = second_costs.random_case(chance)
        asked = read_request_alone(ask_json)
        decision = decide(asked, BenchTerms.from_json(bench_json), FactoryTerms.from_json(factory_json), 1)
        assert decision.shop.total_cents == second_costs.shop_cents(ask_json, bench_json, asked.quantity)
        assert decision.factory.total_cents == second_costs.factory_cents(ask_json, factory_json, asked.quantity)
        for way in (decision.shop, decision.factory):
            assert sum(line.cents for line in way.lines) == way.total_cents


def test_the_quantity_asked_for_does_not_move_the_crossing(ask, bench, factory):
    assert {break_even(ask(n), bench, factory).quantity for n in (1, 3, 14, 150)} == {14}


def test_steps_can_make_more_than_one_run_and_the_first_counts(ask, bench, factory_json):
    factory_json |= {"freight": [{"quantity_from": 1, "cents": 0}, {"quantity_from": 20, "cents": 30_000}]}
    found = break_even(ask(), bench, FactoryTerms.from_json(factory_json))
    assert len(found.ranges) == 2
    assert found.quantity == found.ranges[0][0] < 20
    assert found.ranges[0][1] == 19
    assert not found.holds_to_the_limit


def test_the_factorys_minimums_move_the_first_order(ask, bench, factory_json):
    few = FactoryTerms.from_json(factory_json | {"min_cylinders": 40})
    assert break_even(ask(), bench, few).quantity == 40
    dear = FactoryTerms.from_json(factory_json | {"min_order_cents": 4250 * 60 - 1})
    assert break_even(ask(), bench, dear).quantity == 60
    none = FactoryTerms.from_json(factory_json | {"min_cylinders": 100_000})
    assert break_even(ask(), bench, none).quantity is None


def test_a_kind_without_a_cost_on_one_side_has_no_crossing(ask, bench_json, factory):
    del bench_json["kind_minutes"]["GMK"]
    assert break_even(ask(), BenchTerms.from_json(bench_json), factory).ranges == ()


@pytest.mark.parametrize("limit", [0, -1, 100_001, 10**30])
def test_absurd_limits_are_refused(ask, bench, factory, limit):
    with pytest.raises(BitternError, match="limit"):
        break_even(ask(), bench, factory, limit)
    with pytest.raises(BitternError, match="last"):
        cost_points(ask(), bench, factory, limit)


def test_chart_points_keep_every_corner(ask, bench, factory):
    points = {point.quantity: point for point in cost_points(ask(33), bench, factory, 400, 20)}
    assert {1, 11, 12, 13, 14, 33, 49, 50, 149, 150, 400} <= set(points)
    assert len(points) < 40
    assert points[11].factory_cents is None
    assert points[12].factory_cents is not None
    assert points[13].factory_cents > points[13].shop_cents
    assert points[14].factory_cents <= points[14].shop_cents
    assert list(points) == sorted(points)
