from dataclasses import replace
from datetime import date
from decimal import ROUND_HALF_UP, Decimal, localcontext

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.errors import BitternError, Problems
from app.pricing import (
    MAX_CENTS,
    PriceBasis,
    PriceBook,
    PriceKind,
    PriceRow,
    PriceRule,
    PriceRules,
)

JANUARY, MARCH, JUNE = date(2026, 1, 1), date(2026, 3, 1), date(2026, 6, 1)
ROW = PriceRow("M-100", "Mortise cylinder", "cylinders", PriceKind.GOODS, 4250, 2100, JANUARY)


def price(rows, on=MARCH, tier=None, quantity=1):
    return PriceBook(rows).price("M-100", on, tier, quantity).unit_cents


def test_a_price_that_starts_later_waits_for_its_day():
    rows = [ROW, replace(ROW, unit_cents=4500, valid_from=MARCH)]
    assert price(rows, date(2026, 2, 28)) == 4250
    assert price(rows, MARCH) == 4500


def test_the_last_day_is_included():
    rows = [ROW, replace(ROW, unit_cents=3900, valid_from=MARCH, valid_until=date(2026, 3, 31))]
    assert price(rows, date(2026, 3, 31)) == 3900
    assert price(rows, date(2026, 4, 1)) == 4250


def test_the_customers_tier_comes_before_a_later_row_and_a_larger_quantity():
    rows = [
        replace(ROW, tier="trade", unit_cents=3000),
        replace(ROW, valid_from=MARCH, unit_cents=5000),
        replace(ROW, quantity_from=10, unit_cents=2000),
    ]
    assert price(rows, JUNE, "trade", 50) == 3000
    assert price(rows, JUNE, "school", 1) == 5000
    assert price(rows, JUNE, None, 50) == 2000


def test_the_largest_quantity_reached_counts():
    rows = [ROW, replace(ROW, quantity_from=10, unit_cents=4000), replace(ROW, quantity_from=50, unit_cents=3500)]
    assert [price(rows, quantity=n) for n in (1, 9, 10, 49, 50, 999)] == [4250, 4250, 4000, 4000, 3500, 3500]


def test_a_new_price_for_one_each_leaves_the_quantity_breaks():
    rows = [
        ROW,
        replace(ROW, quantity_from=10, unit_cents=4000),
        replace(ROW, unit_cents=4500, valid_from=MARCH),
    ]
    assert [price(rows, JUNE, quantity=n) for n in (9, 10)] == [4500, 4000]
    ended = [*rows[:1], replace(rows[1], valid_until=date(2026, 2, 28)), rows[2]]
    assert [price(ended, JUNE, quantity=n) for n in (9, 10)] == [4500, 4500]


def test_what_has_no_price_is_named():
    for code, day, message in (
        ("M-200", MARCH, "There is no price for M-200; enter it under Goods."),
        (
            "M-100",
            date(2025, 12, 31),
            "M-100 has prices, but none that holds on Wednesday 31 December 2025 for 1 and this customer.",
        ),
    ):
        with pytest.raises(BitternError) as refused:
            PriceBook([ROW]).price(code, day)
        assert (refused.value.field, refused.value.message) == ("code", message)
    with pytest.raises(BitternError) as refused:
        PriceBook([ROW]).price("x" * 10_000, MARCH)
    assert len(refused.value.message) < 200


def test_two_rows_for_the_same_day_tier_and_quantity_are_refused():
    with pytest.raises(Problems, match="M-100"):
        PriceBook([ROW, replace(ROW, unit_cents=1)])


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"code": " "}, "code"),
        ({"code": "x" * 10_000}, "code"),
        ({"unit_cents": -1}, "unit_cents"),
        ({"unit_cents": 1.5}, "unit_cents"),
        ({"unit_cents": True}, "unit_cents"),
        ({"cost_cents": 10**30}, "cost_cents"),
        ({"quantity_from": 0}, "quantity_from"),
        ({"quantity_from": 1_000_001}, "quantity_from"),
        ({"quantity_from": True}, "quantity_from"),
        ({"valid_until": date(2025, 12, 31)}, "valid_until"),
    ],
)
def test_rows_that_cannot_be_are_refused(change, field):
    with pytest.raises(BitternError) as refused:
        replace(ROW, **change)
    assert refused.value.field == field


def test_codes_come_in_their_order():
    assert PriceBook([replace(ROW, code="B"), ROW, replace(ROW, code="B", tier="t")]).codes() == ("B", "M-100")


JANUARY, MARCH = date(2026, 1, 1), date(2026, 3, 1)
TWICE = PriceRule(PriceBasis.COST_TIMES, Decimal(2), JANUARY)


@given(st.integers(0, 1_000_000), st.integers(0, 1_000_000), st.decimals(0, 99, places=2))
def test_prices_are_decimals_half_up(cost, list_cents, figure):
    with localcontext() as context:
        context.prec = 60
        expected = {
            PriceBasis.COST_TIMES: cost * figure,
            PriceBasis.LIST_LESS: list_cents * (100 - figure) / 100,
            PriceBasis.MARGIN: cost * 100 / (100 - figure),
        }
        for basis, exact in expected.items():
            price = PriceRule(basis, figure, JANUARY).price(cost, list_cents)
            assert price == int(exact.quantize(Decimal(1), rounding=ROUND_HALF_UP))


def test_an_items_rule_comes_before_a_categorys_a_makers_and_a_general_one():
    rules = [
        replace(TWICE, figure=Decimal(1)),
        replace(TWICE, figure=Decimal(2), maker="Northlight"),
        replace(TWICE, figure=Decimal(3), category="cylinders"),
        replace(TWICE, figure=Decimal(4), code="M-100"),
    ]
    for held in range(4, 0, -1):
        found = PriceRules(rules[:held]).rule("M-100", "cylinders", "Northlight", None, MARCH)
        assert found.figure == held
    assert PriceRules(rules[1:]).rule("K-1", "keys", "Pell & Rowe", None, MARCH) is None


def test_a_tiers_rule_and_a_later_one_come_first_among_equals():
    rules = PriceRules(
        [
            TWICE,
            replace(TWICE, figure=Decimal("1.8"), tier="trade"),
            replace(TWICE, figure=Decimal("2.5"), valid_from=MARCH),
            replace(TWICE, figure=Decimal(9), valid_from=date(2026, 2, 1), valid_until=date(2026, 2, 28)),
        ]
    )

    def figure(tier, day):
        return rules.rule("M-100", "cylinders", None, tier, day).figure

    assert figure("trade", MARCH) == Decimal("1.8")
    assert figure(None, MARCH) == Decimal("2.5")
    assert figure(None, date(2026, 2, 28)) == 9
    assert figure(None, date(2026, 1, 31)) == 2


def test_two_rules_that_begin_together_are_refused():
    with pytest.raises(Problems, match="same day"):
        PriceRules([TWICE, replace(TWICE, figure=Decimal(3))])


@pytest.mark.parametrize(
    "change",
    [
        {"figure": Decimal(-1)},
        {"figure": Decimal(1001)},
        {"figure": Decimal("Infinity")},
        {"figure": 2},
        {"basis": PriceBasis.MARGIN, "figure": Decimal(100)},
        {"basis": PriceBasis.LIST_LESS, "figure": Decimal(101)},
    ],
)
def test_figures_that_cannot_be_are_refused(change):
    with pytest.raises(BitternError) as refused:
        replace(TWICE, **change)
    assert refused.value.field == "figure"


def test_a_price_beyond_reason_is_refused():
    dear = replace(TWICE, figure=Decimal(1000))
    assert dear.price(MAX_CENTS // 1000, 0) == MAX_CENTS
    with pytest.raises(BitternError) as refused:
        dear.price(MAX_CENTS // 1000 + 1, 0)
    assert (refused.value.field, refused.value.message) == (
        "figure",
        "This rule would make a price above $10,000,000.00.",
    )


def test_a_price_and_a_rule_may_hold_for_one_day_and_cost_nothing():
    gift = replace(ROW, unit_cents=0, valid_from=MARCH, valid_until=MARCH)
    assert (price([ROW, gift], MARCH), price([ROW, gift], date(2026, 3, 2))) == (0, 4250)
    with pytest.raises(BitternError, match="valid_until"):
        replace(gift, valid_until=date(2026, 2, 28))
    assert replace(TWICE, valid_from=MARCH, valid_until=MARCH).valid_until == MARCH


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"code": "RIM-1"}, "RIM-1"),
        ({"category": "cylinders"}, "cylinders"),
        ({"maker": "ARD"}, "ARD"),
        ({}, "everything"),
    ],
)
def test_a_rule_that_is_there_twice_is_named_by_what_it_is_for(change, named):
    rule = replace(TWICE, code=None, category=None, maker=None)
    rule = replace(rule, **change)
    with pytest.raises(Problems) as refused:
        PriceRules([rule, rule])
    assert [(problem.field, problem.message) for problem in refused.value.problems] == [
        ("rules", f"Two price rules for {named} begin on the same day; keep one.")
    ]
