"""A bench out of five answers, a factory out of two: figures worked out by hand from the shares behind them."""

from dataclasses import replace
from fractions import Fraction

import pytest

from app.errors import BitternError
from app.pricing import BenchAnswers, CylinderType, KeyingKind, usual_bench_terms, usual_factory_terms, usual_price
from app.pricing.terms import BenchTerms, FactoryTerms


def test_a_cylinder_keyed_different_takes_the_minutes_answered() -> None:
    terms = usual_bench_terms(BenchAnswers(pin_minutes=Fraction(20)))
    assert terms.type_minutes[CylinderType.MORTISE] == 12
    assert terms.kind_minutes[KeyingKind.KD] == terms.checking_minutes == 4
    assert (terms.setup_minutes[KeyingKind.MK], terms.extension_minutes) == (90, 40)
    assert (terms.minutes_per_day, terms.reserve_minutes_per_day) == (360, 30)


@pytest.mark.parametrize(("levels", "most"), [(1, None), (2, "MK"), (3, "GMK"), (4, "GGMK")])
def test_kinds_go_as_far_as_the_largest_system(levels: int, most: str | None) -> None:
    terms = usual_bench_terms(BenchAnswers(levels=levels))
    masters = [kind.value for kind in terms.kind_minutes if kind.is_master_keyed]
    assert masters == ["MK", "GMK", "GGMK"][: levels - 1] and (masters[-1] if masters else None) == most
    assert set(terms.setup_minutes) == {kind for kind in terms.kind_minutes if kind.is_master_keyed}
    assert BenchTerms.from_json(terms.to_json()) == terms


@pytest.mark.parametrize(
    ("field", "value"),
    [("hour_cents", 0), ("day_minutes", Fraction(0)), ("pin_minutes", Fraction(1441)), ("key_minutes", Fraction(0))],
)
def test_an_answer_that_cannot_be_is_named(field: str, value: int | Fraction) -> None:
    with pytest.raises(BitternError) as refused:
        usual_bench_terms(replace(BenchAnswers(), **{field: value}))
    assert refused.value.field == field


def test_a_factory_follows_from_what_it_asks_for_one_cylinder() -> None:
    terms = usual_factory_terms("Ardent Brass", 150, 12)
    assert {kind.value: cents for kind, cents in terms.per_cylinder_cents.items()} == {
        "KD": 150,
        "KA": 188,  # 187.5
        "SKD": 188,
        "MK": 338,  # 337.5
        "GMK": 413,  # 412.5
        "GGMK": 525,
    }
    assert terms.setup_cents[KeyingKind.MK] == 9_000 and terms.lead_working_days == 12
    assert FactoryTerms.from_json(terms.to_json()) == terms


def test_a_price_is_twice_the_cost_in_quarter_dollars() -> None:
    terms = usual_bench_terms(BenchAnswers(hour_cents=4_600))
    assert usual_price(terms, Fraction(10)) == 1_525  # 2 x 46.00 / 6 = 15.33
    assert usual_price(terms, Fraction(0)) == 25 and usual_price(terms, Fraction(0), 53) == 100
