import copy
from datetime import date
from fractions import Fraction

import pytest

from app.errors import BitternError, Problems
from app.pricing import BenchTerms, CylinderType, FactoryTerms, KeyingKind
from tests.pricing.demo_terms import FACTORIES, terms_json

WRONG = [None, True, -1, 1.5, 10**30, "x" * 10_000, [], {}, "", float("nan"), float("inf"), [[]], "12"]


def test_the_demo_has_terms_of_three_makers():
    assert len(FACTORIES) == 3


@pytest.mark.parametrize("name", FACTORIES)
def test_factory_terms_go_to_json_and_back(name):
    terms = FactoryTerms.from_json(terms_json(name))
    assert FactoryTerms.from_json(terms.to_json()) == terms


def test_bench_terms_go_to_json_and_back_with_parts_of_a_minute(bench_json):
    bench_json |= {"key_minutes": "1.25", "checking_minutes": 2.5, "closed_days": ["2026-12-25", "2026-12-24"]}
    terms = BenchTerms.from_json(bench_json)
    assert terms.key_minutes == Fraction(5, 4)
    assert terms.checking_minutes == Fraction(5, 2)
    assert terms.closed_days == {date(2026, 12, 24), date(2026, 12, 25)}
    assert BenchTerms.from_json(terms.to_json()) == terms


def test_every_bad_field_is_reported_by_its_path(factory_json):
    factory_json["freight"][1] = {"quantity_from": 0, "cents": "many", "color": "red"}
    factory_json["per_cylinder_cents"] |= {"GMK": -5, "XYZ": 10}
    factory_json["lead_working_days"] = True
    factory_json["closed_days"] = ["2026-02-30"]
    factory_json["holds_records"] = "yes"
    del factory_json["maker"]
    factory_json["minimum"] = 3
    with pytest.raises(Problems) as refused:
        FactoryTerms.from_json(factory_json, "factory")
    assert {problem.field for problem in refused.value.problems} == {
        "factory.freight[2].quantity_from",
        "factory.freight[2].cents",
        "factory.freight[2].color",
        "factory.per_cylinder_cents.GMK",
        "factory.per_cylinder_cents.XYZ",
        "factory.lead_working_days",
        "factory.closed_days[1]",
        "factory.holds_records",
        "factory.maker",
        "factory.minimum",
    }


@pytest.mark.parametrize("name", ["quantity_breaks", "freight"])
def test_steps_out_of_order_are_refused(factory_json, name):
    factory_json[name] = [factory_json[name][1], factory_json[name][0]]
    with pytest.raises(Problems, match=name):
        FactoryTerms.from_json(factory_json)


@pytest.mark.parametrize("side", [BenchTerms, FactoryTerms])
def test_no_wrong_value_in_any_field_is_more_than_a_refusal(side, bench_json, factory_json):
    good = bench_json if side is BenchTerms else factory_json
    refused = 0
    for field in good:
        for wrong in WRONG:
            bad = copy.deepcopy(good) | {field: wrong}
            try:
                side.from_json(bad)
            except BitternError as error:
                refused += 1
                assert error.field.startswith(field)
                assert len(error.message) < 300
    assert refused > len(good) * 6


@pytest.mark.parametrize("given", [None, [], "terms", 3, True])
def test_what_is_no_object_is_refused(given):
    with pytest.raises(Problems, match="object"):
        BenchTerms.from_json(given, "bench")
    with pytest.raises(Problems, match="object"):
        FactoryTerms.from_json(given)


def test_tables_cannot_be_changed_behind_the_terms_back(bench):
    with pytest.raises(TypeError):
        bench.type_minutes[CylinderType.RIM] = Fraction(0)


def test_kinds_say_what_they_mean():
    assert {kind for kind in KeyingKind if kind.is_master_keyed} == {KeyingKind.MK, KeyingKind.GMK, KeyingKind.GGMK}
    assert len({kind.words for kind in KeyingKind}) == len(KeyingKind)


def test_a_deadbolt_takes_a_bored_locks_minutes_until_it_has_its_own() -> None:
    terms = {"labour_cents_per_hour": 4600, "kind_minutes": {"KD": 2}, "minutes_per_day": 60}
    old = BenchTerms.from_json({**terms, "type_minutes": {"bored": 8}})
    kinds = (CylinderType.DEADBOLT, CylinderType.LOCKSET, CylinderType.PADLOCK)
    assert [old.minutes_of(one) for one in kinds] == [8, 8, None]
    own = BenchTerms.from_json({**terms, "type_minutes": {"bored": 8, "deadbolt": "10.5"}})
    assert own.minutes_of(CylinderType.DEADBOLT) == Fraction(21, 2)
