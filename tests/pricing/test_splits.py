from dataclasses import replace
from datetime import date

import pytest

from app.errors import BitternError
from app.pricing import (
    BenchTerms,
    FactoryTerms,
    KeyingKind,
    RecordsHolder,
    SplitChoice,
    SystemAge,
    decide_split,
)
from app.pricing.ways import factory_way, shop_way

SOON, LATER = date(2026, 3, 6), date(2026, 4, 30)


def parts(ask, kind=KeyingKind.MK, **changes):
    return ask(140, kind, need_by=LATER, **changes), ask(6, kind, need_by=SOON, **changes)


def test_doors_needed_early_are_keyed_here_and_the_bulk_away(ask, bench, factory):
    decision = decide_split(*parts(ask), bench, factory)
    assert decision.choice is SplitChoice.SPLIT
    chosen = decision.option(SplitChoice.SPLIT)
    assert chosen.ways[0].ready > SOON >= chosen.ways[1].ready
    assert chosen.ready == chosen.ways[0].ready
    assert decision.risks
    assert not any("$" in sentence for sentence in decision.reasons)


def test_a_split_pays_the_set_up_here_and_the_extension_there(ask, bench, factory):
    bulk, rest = parts(ask)
    split = decide_split(bulk, rest, bench, factory).option(SplitChoice.SPLIT)
    sent = replace(bulk, system=SystemAge.EXISTING, records=RecordsHolder.SHOP)
    away = factory_way(sent, factory, bench.closed_days)
    assert split.total_cents == away.total_cents + shop_way(rest, bench, factory).total_cents
    assert {"Extension at the factory", "Set-up at the bench"} <= {
        line.label for way in split.ways for line in way.lines
    }


def test_records_that_the_factory_does_not_take_forbid_the_split(ask, bench, factory_json):
    strict = FactoryTerms.from_json(factory_json | {"takes_records": False})
    decision = decide_split(*parts(ask), bench, strict)
    assert not decision.option(SplitChoice.SPLIT).possible
    assert any("one place" in why for why in decision.option(SplitChoice.SPLIT).why_not)
    for kind in (KeyingKind.KD, KeyingKind.NONE):
        assert decide_split(*parts(ask, kind), bench, strict).option(SplitChoice.SPLIT).possible


@pytest.mark.parametrize(
    ("holder", "allowed"), [(RecordsHolder.SHOP, True), (RecordsHolder.FACTORY, False), (RecordsHolder.NOBODY, False)]
)
def test_an_existing_system_is_split_only_with_its_records_here(ask, bench, factory, holder, allowed):
    decision = decide_split(*parts(ask, system=SystemAge.EXISTING, records=holder), bench, factory)
    assert decision.option(SplitChoice.SPLIT).possible is allowed


def test_what_the_bench_cannot_have_at_once_it_keys_in_two_deliveries(ask, bench, factory_json):
    """MK: 45 to set up and 15 a cylinder with two keys: 6 are 135 minutes, 146 are 2,235, the seventh day."""
    strict = FactoryTerms.from_json(factory_json | {"takes_records": False})
    bench = replace(bench, uncombinated_on_hand={"mortise": 200})
    bulk, rest = parts(ask)
    here = decide_split(bulk, rest, bench, strict).option(SplitChoice.ALL_SHOP)
    assert here.possible and here.first is not None
    assert (here.first.bench_minutes, here.first.ready) == (135, date(2026, 3, 2))
    assert (here.ways[0].bench_minutes, here.ready) == (2235, date(2026, 3, 10))
    assert (
        here.total_cents == shop_way(replace(bulk, cylinders={"mortise": 146}, keys=292), bench, strict).total_cents
    )
    late = replace(bulk, need_by=date(2026, 3, 9))
    assert not decide_split(late, rest, bench, strict).option(SplitChoice.ALL_SHOP).possible


def test_with_time_for_all_one_place_is_cheaper(ask, bench, factory):
    bulk, rest = ask(140, KeyingKind.MK), ask(6, KeyingKind.MK)
    decision = decide_split(bulk, rest, bench, factory)
    assert decision.choice is SplitChoice.ALL_FACTORY
    assert decision.risks == ()
    whole = factory_way(ask(146, KeyingKind.MK), factory, bench.closed_days)
    assert decision.option(SplitChoice.ALL_FACTORY).total_cents == whole.total_cents
    small = decide_split(ask(3, KeyingKind.MK), ask(1, KeyingKind.MK), bench, factory)
    assert small.choice is SplitChoice.ALL_SHOP


def test_the_choice_is_the_cheapest_of_the_possible(ask, bench, factory):
    for bulk_count in (1, 12, 30, 150):
        for rest_count in (1, 8, 40):
            for soon in (None, SOON, LATER):
                bulk, rest = ask(bulk_count, need_by=LATER), ask(rest_count, need_by=soon)
                decision = decide_split(bulk, rest, bench, factory)
                costs = {one.choice: one.total_cents for one in decision.options if one.possible}
                assert (decision.choice is None) == (not costs)
                if costs:
                    assert costs[decision.choice] == min(costs.values())


def test_goods_unknown_in_a_part_are_unknown_in_the_whole(ask, bench, factory):
    decision = decide_split(ask(3, goods_cents=None), ask(9), bench, factory)
    assert not any("minimum" in why for why in decision.option(SplitChoice.ALL_FACTORY).why_not)


def test_parts_of_different_systems_are_refused(ask, bench, factory):
    with pytest.raises(BitternError, match="kind"):
        decide_split(ask(10, KeyingKind.MK), ask(1, KeyingKind.GMK), bench, factory)
    with pytest.raises(BitternError, match="keyway"):
        decide_split(ask(10, keyway="AQ1"), ask(1, keyway="AQ2"), bench, factory)


def test_nothing_possible_says_why_for_each(ask, bench_json, factory):
    idle = BenchTerms.from_json(bench_json | {"minutes_per_day": 0})
    decision = decide_split(ask(3), ask(1), idle, factory)
    assert decision.choice is None
    assert len(decision.reasons) == 4


def test_in_one_place_both_parts_goods_and_keys_count_and_the_earlier_day(ask, bench, factory_json):
    # 8 + 6 cylinders are over the factory's minimum of 12 only together; the goods of both are $595.00.
    least = FactoryTerms.from_json(factory_json | {"min_order_cents": 59_500})
    bulk, rest = ask(8, KeyingKind.MK, need_by=LATER), ask(6, KeyingKind.MK, need_by=LATER)
    assert decide_split(bulk, rest, bench, least).option(SplitChoice.ALL_FACTORY).possible
    more = FactoryTerms.from_json(factory_json | {"min_order_cents": 59_501})
    assert not decide_split(bulk, rest, bench, more).option(SplitChoice.ALL_FACTORY).possible
    here = decide_split(bulk, rest, bench, least).option(SplitChoice.ALL_SHOP)
    assert here.total_cents == shop_way(ask(14, KeyingKind.MK, need_by=LATER), bench, least).total_cents
    cuts = decide_split(replace(bulk, keys=40), rest, bench, least).option(SplitChoice.ALL_SHOP)
    assert cuts.total_cents == shop_way(ask(14, KeyingKind.MK, keys=52, need_by=LATER), bench, least).total_cents


def test_the_reason_says_whether_there_was_a_choice_and_the_day(ask, bench, factory, factory_json):
    bulk, rest = ask(140, KeyingKind.MK), ask(6, KeyingKind.MK)
    decision = decide_split(bulk, rest, bench, factory)
    assert decision.choice is SplitChoice.ALL_FACTORY
    assert decision.reasons == (
        "Keyed all at the factory is the least costly of the possible ways, ready on Monday 23 March 2026.",
    )
    strict = FactoryTerms.from_json(factory_json | {"takes_records": False, "min_cylinders": 1000})
    only = decide_split(bulk, rest, bench, strict)
    assert only.choice is SplitChoice.ALL_SHOP
    assert only.reasons[-1].startswith("Keyed all here is the only possible way, ready on ")
    assert "The factory does not key from records sent to it, so the system stays in one place." in only.reasons[1]


def test_a_keyway_of_the_factory_alone_is_neither_split_nor_keyed_here(ask, bench, factory_json):
    only = FactoryTerms.from_json(factory_json | {"factory_only_keyways": ["AQ5"]})
    decision = decide_split(ask(140, KeyingKind.MK, keyway="AQ5"), ask(6, KeyingKind.MK, keyway="AQ5"), bench, only)
    why = ("Keyway AQ5 is keyed by its maker's factory only.",)
    assert decision.choice is SplitChoice.ALL_FACTORY
    assert decision.option(SplitChoice.ALL_SHOP).why_not == why
    assert decision.option(SplitChoice.SPLIT).why_not == why
