from __future__ import annotations

import random
from itertools import groupby

import pytest
import second_costs
from demo_terms import read_ask_alone

from app.errors import BitternError
from app.pricing import BenchTerms, FactoryTerms, break_even, cost_points, decide


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
            read_ask_alone(ask_json),
            BenchTerms.from_json(bench_json),
            FactoryTerms.from_json(factory_json),
            80,
        )
        assert found.ranges == expected


def test_the_totals_at_the_quantity_asked_for_are_worked_out_a_second_time():
    chance = random.Random(8)
    for _ in range(300):
        ask_json, bench_json, factory_json = second_costs.random_case(chance)
        asked = read_ask_alone(ask_json)
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
    assert not points[11].factory_takes_it
    assert points[12].factory_takes_it
    assert points[13].factory_cents > points[13].shop_cents
    assert points[14].factory_cents <= points[14].shop_cents
    assert list(points) == sorted(points)
