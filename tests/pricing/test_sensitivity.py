from dataclasses import replace
from datetime import date, timedelta

import pytest

from app.pricing import (
    BenchTerms,
    FactoryTerms,
    KeyingKind,
    Place,
    RecordsHolder,
    SystemAge,
    decide,
    find_flips,
)
from app.pricing.sensitivity import Lever

MONDAY = date(2026, 3, 2)


def flips(decision, bench, factory, lever):
    return [one for one in find_flips(decision, bench, factory) if one.lever is lever]


def test_needed_later_the_factory_saves(ask, bench, factory):
    # The factory's day is Monday 23 March.
    decision = decide(ask(40, need_by=date(2026, 3, 19)), bench, factory)
    assert decision.choice is Place.SHOP
    later, earlier = flips(decision, bench, factory, Lever.NEED_BY)
    assert (later.at, later.choice) == (date(2026, 3, 23), Place.FACTORY)
    assert later.saving_cents == decision.shop.total_cents - decision.factory.total_cents > 0
    assert "saves $" in later.sentence
    assert (earlier.at, earlier.choice) == (decision.shop.ready - timedelta(1), None)
    assert "nowhere" in earlier.sentence


def test_needed_earlier_the_bench_does_it_for_more(ask, bench, factory):
    decision = decide(ask(40), bench, factory)
    (earlier,) = flips(decision, bench, factory, Lever.NEED_BY)
    assert (earlier.at, earlier.choice) == (date(2026, 3, 22), Place.SHOP)
    assert "for $" in earlier.sentence and earlier.sentence.endswith("more.")


@pytest.mark.parametrize("count", [1, 13, 14, 40, 150])
@pytest.mark.parametrize("days", [None, 0, 3, 10, 20, 21, 40])
@pytest.mark.parametrize("promised", [0, 9_000])
def test_dates_are_the_nearest_that_turn_it(ask, bench_json, factory, count, days, promised):
    bench = BenchTerms.from_json(bench_json | {"minutes_promised": promised})
    asked = ask(count, need_by=None if days is None else MONDAY + timedelta(days))
    decision = decide(asked, bench, factory, 1)
    found = {one.at: one.choice for one in flips(decision, bench, factory, Lever.NEED_BY)}
    expected = {}
    start = days if days is not None else 80
    for walk in (range(start + 1, 81) if days is not None else [], range(start - (days is not None), -1, -1)):
        for day in walk:
            choice = decide(replace(asked, need_by=MONDAY + timedelta(day)), bench, factory, 1).choice
            if choice is not decision.choice:
                expected[MONDAY + timedelta(day)] = choice
                break
    assert found == expected


@pytest.mark.parametrize("count", [1, 12, 13, 14, 19, 20, 40])
def test_quantities_are_the_nearest_that_turn_it(ask, bench, factory_json, count):
    factory_json["freight"] = [{"quantity_from": 1, "cents": 2800}, {"quantity_from": 20, "cents": 30_000}]
    factory = FactoryTerms.from_json(factory_json)
    decision = decide(ask(count), bench, factory, 60)
    found = {one.at: one.choice for one in flips(decision, bench, factory, Lever.QUANTITY)}
    expected = {}
    for walk in (range(count - 1, 0, -1), range(count + 1, 61)):
        for other in walk:
            choice = decide(ask(other), bench, factory, 60).choice
            if choice is not decision.choice:
                expected[other] = choice
                break
    assert found == expected


def test_below_the_factorys_minimum_nothing_is_said_of_costs(ask, bench, factory):
    # At 11 the factory's figures come to $95.00 + $37.40 + $28.00, the bench's to $179.70; it takes none under 12.
    assert factory.min_cylinders == 12
    (fewer,) = flips(decide(ask(18, KeyingKind.MK), bench, factory), bench, factory, Lever.QUANTITY)
    assert (fewer.at, fewer.choice) == (11, Place.SHOP)
    assert fewer.sentence == ("At 11 cylinders of this mix, the factory does not take it, so the bench does it.")


def test_a_decision_that_cost_did_not_make_is_not_turned_by_quantity(ask, bench, factory):
    decision = decide(ask(40, need_by=date(2026, 3, 19)), bench, factory)
    assert flips(decision, bench, factory, Lever.QUANTITY) == []
    extended = ask(40, system=SystemAge.EXISTING, records=RecordsHolder.NOBODY)
    nowhere = decide(extended, bench, factory)
    assert flips(nowhere, bench, factory, Lever.QUANTITY) == []


@pytest.mark.parametrize("count", [12, 13, 14, 40])
def test_labor_turns_it_at_that_cent_and_not_a_cent_before(ask, bench_json, factory, count):
    bench = BenchTerms.from_json(bench_json)
    decision = decide(ask(count), bench, factory, 1)
    (flip,) = flips(decision, bench, factory, Lever.LABOR)
    assert flip.choice is not decision.choice

    def at(cents):
        other = BenchTerms.from_json(bench_json | {"labour_cents_per_hour": cents})
        return decide(ask(count), other, factory, 1).choice

    assert at(flip.at) is flip.choice
    back = flip.at - 1 if flip.choice is Place.FACTORY else flip.at + 1
    assert at(back) is decision.choice


def test_without_a_factory_only_dates_turn_it(ask, bench):
    found = find_flips(decide(ask(40, need_by=date(2026, 3, 19)), bench, None), bench, None)
    assert {one.lever for one in found} == {Lever.NEED_BY}
    assert [one.choice for one in found] == [None]


@pytest.mark.parametrize("count", [1, 12, 14, 40, 150])
@pytest.mark.parametrize("days", [None, 0, 3, 20, 40])
def test_what_may_be_told_names_no_amount(ask, bench, factory, count, days):
    asked = ask(count, need_by=None if days is None else MONDAY + timedelta(days))
    decision = decide(asked, bench, factory, 200)
    for flip in find_flips(decision, bench, factory):
        assert "$" not in flip.told
        if flip.lever is Lever.NEED_BY:
            assert flip.told.partition(", the ")[0] in flip.sentence or flip.told.endswith(
                "it could be done nowhere."
            )
    assert set(decision.openings) <= set(decision.flips)


def test_how_many_working_days_later(ask, bench, factory):
    decision = decide(ask(40, need_by=date(2026, 3, 19)), bench, factory)  # a Thursday; the factory's is Monday
    later = flips(decision, bench, factory, Lever.NEED_BY)[0]
    assert later.told == "Needed 2 working days later, by Monday 23 March 2026 or after, the factory would do it."
    assert later.sentence.startswith(
        "Needed 2 working days later, by Monday 23 March 2026 or after, the factory saves $"
    )


def test_each_flip_is_one_sentence(ask, bench_json, factory):
    # The bench: $69.00 + $460.00 + $30.40 + $67.73 + $36.00; the factory: $185.00 + $168.00 + $28.00.
    bench = BenchTerms.from_json(bench_json)
    late = [
        one.sentence for one in find_flips(decide(ask(40, need_by=date(2026, 3, 19)), bench, factory), bench, factory)
    ]
    assert late == [
        "Needed 2 working days later, by Monday 23 March 2026 or after, the factory saves $282.13.",
        "Needed 12 working days earlier, by Tuesday 3 March 2026 or before, it can be done nowhere.",
    ]
    cheap = find_flips(decide(ask(40), bench, factory), bench, factory)
    assert [one.sentence for one in cheap] == [
        "Needed by Sunday 22 March 2026 or before, the bench does it, for $282.13 more.",
        "At 13 cylinders of this mix, the bench costs less.",
        "Below $24.02 an hour of bench labor, the bench costs less; it is $46.00.",
    ]
    assert cheap[0].told == "Needed by Sunday 22 March 2026 or before, the bench would do it."
    assert [one.sentence for one in find_flips(decide(ask(13), bench, factory), bench, factory)] == [
        "At 14 cylinders of this mix, the factory costs no more.",
        "From $47.07 an hour of bench labor on, the factory costs no more; it is $46.00.",
    ]


def test_working_days_of_a_flip_leave_out_the_benchs_closed_days(ask, bench_json, factory):
    bench = BenchTerms.from_json(bench_json | {"closed_days": ["2026-03-20"]})
    later = find_flips(decide(ask(40, need_by=date(2026, 3, 19)), bench, factory), bench, factory)[0]
    assert later.sentence.startswith("Needed 1 working day later, by Monday 23 March 2026 or after, ")


def test_a_flip_may_fall_on_today_and_not_on_a_day_before(ask, bench):
    # 430 minutes at 360 a day: ready on Tuesday; 328 are ready today, and yesterday is no day to ask for.
    (flip,) = find_flips(decide(ask(20), bench, None), bench, None)
    assert (flip.at, flip.choice) == (MONDAY, None)
    assert flip.sentence == "Needed by Monday 2 March 2026 or before, it can be done nowhere."
    assert flip.told == "Needed by Monday 2 March 2026 or before, it could be done nowhere."
    assert find_flips(decide(ask(14), bench, None), bench, None) == ()


@pytest.mark.parametrize(
    ("least", "sentences"),
    [
        (1, []),
        (2, ["At 1 cylinder of this mix, the factory does not take it, so the bench does it."]),
    ],
)
def test_a_flip_may_fall_on_one_cylinder_and_not_on_none(ask, bench, factory_json, least, sentences):
    free = {"setup_cents": {}, "per_cylinder_cents": {"GMK": 0}, "freight": [], "min_order_cents": 0}
    factory = FactoryTerms.from_json(factory_json | free | {"min_cylinders": least})
    found = flips(decide(ask(5), bench, factory, 60), bench, factory, Lever.QUANTITY)
    assert [flip.sentence for flip in found] == sentences
    assert [flip.at for flip in found] == [1] * len(sentences)
