from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import ROUND_HALF_UP, Decimal, localcontext

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.errors import BitternError, Problems
from app.pricing import (
    PriceBasis,
    PriceRule,
    PriceRules,
)

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
    with pytest.raises(BitternError, match="figure"):
        replace(TWICE, **change)


def test_a_price_beyond_reason_is_refused():
    with pytest.raises(BitternError, match="above"):
        replace(TWICE, figure=Decimal(1000)).price(10**9, 0)
