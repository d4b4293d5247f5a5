from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.errors import BitternError
from app.pricing import ROUNDING_RULE, Exemption, LineKind, QuoteLine, TaxRule, show_cents, total

DAY = date(2026, 3, 2)
RULE = TaxRule("Saltmarsh", Decimal("8.25"), True, False, date(2026, 1, 1))
PERCENTS = st.decimals(0, 100, places=2)
LINES = st.builds(
    QuoteLine,
    st.just("Cylinder"),
    st.integers(1, 500),
    st.integers(0, 100_000),
    st.sampled_from(LineKind),
    st.lists(PERCENTS, max_size=3).map(tuple),
)
RULES = st.builds(
    TaxRule,
    st.just("Saltmarsh"),
    st.decimals(0, 30, places=3),
    st.booleans(),
    st.booleans(),
    st.just(RULE.valid_from),
)


def read_back(cents):
    return Decimal(show_cents(cents).replace("$", "").replace(",", "").replace("−", "-"))


@given(st.lists(LINES, max_size=12), RULES)
def test_what_is_printed_adds_up(lines, rule):
    sums = total(lines, rule, None, DAY)
    net = sum(read_back(one.net_cents) for one in sums.lines)
    assert all(
        read_back(one.gross_cents) - read_back(one.discount_cents) == read_back(one.net_cents) for one in sums.lines
    )
    assert read_back(sums.subtotal_cents) == net
    assert read_back(sums.goods_cents) + read_back(sums.labour_cents) - read_back(sums.discount_cents) == net
    assert read_back(sums.tax_cents) == sum(read_back(one.tax_cents) for one in sums.lines)
    assert read_back(sums.total_cents) == net + read_back(sums.tax_cents)


@given(LINES)
def test_the_order_of_discounts_does_not_matter(line):
    assert {replace(line, discounts=order).net_cents for order in permutations(line.discounts)} == {line.net_cents}


@given(st.lists(LINES, max_size=12), RULES)
def test_only_what_the_place_taxes_is_taxed(lines, rule):
    sums = total(lines, rule, None, DAY)
    taxed = {LineKind.GOODS: rule.goods_taxed, LineKind.LABOUR: rule.labour_taxed}
    assert sums.taxable_cents == sum(one.net_cents for one in sums.lines if taxed[one.line.kind])
    assert all(one.tax_cents == 0 for one in sums.lines if not taxed[one.line.kind])


def test_each_lines_tax_is_rounded_so_two_half_cents_are_two_cents():
    line = QuoteLine("Key blank", 1, 10, LineKind.GOODS)
    rule = replace(RULE, rate=Decimal(5))
    assert total([line, line], rule, None, DAY).tax_cents == 2
    assert "its tax is rounded to the cent" in ROUNDING_RULE


def test_an_amount_comes_off_after_the_percentages():
    line = QuoteLine("Cylinder", 3, 1001, LineKind.GOODS, (Decimal(10), Decimal(50)), 100)
    # 30.03 × 0.9 × 0.5 = 13.5135, then a dollar.
    assert line.net_cents == 1351 - 100
    assert total([line], RULE, None, DAY).discount_cents == 3003 - 1251


def test_an_exemption_holds_to_its_last_day_and_says_so_after():
    line = QuoteLine("Cylinder", 1, 10_000, LineKind.GOODS)
    paper = Exemption("SM-1188", DAY)
    exempt = total([line], RULE, paper, DAY)
    assert (exempt.tax_cents, exempt.taxable_cents) == (0, 0)
    assert "SM-1188" in exempt.tax_note
    late = total([line], RULE, paper, date(2026, 3, 3))
    assert late.tax_cents == 825
    assert "SM-1188 expired on Monday 2 March 2026" in late.tax_note
    assert total([line], RULE, None, DAY).tax_note == RULE.sentence


def test_nothing_comes_to_nothing():
    assert total([], RULE, None, DAY).total_cents == 0


def test_a_rule_of_another_time_and_a_total_beyond_reason_are_refused():
    with pytest.raises(BitternError, match="does not hold"):
        total([], RULE, None, date(2025, 12, 31))
    line = QuoteLine("Cylinder", 1, 1_000_000_000, LineKind.LABOUR)
    with pytest.raises(BitternError, match=r"10,000,000\.00"):
        total([line, line], RULE, None, DAY)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"quantity": 0}, "quantity"),
        ({"quantity": -1}, "quantity"),
        ({"quantity": 1.5}, "quantity"),
        ({"quantity": True}, "quantity"),
        ({"quantity": 10**30}, "quantity"),
        ({"quantity": 1_000_000, "unit_cents": 1_000_000}, "quantity"),
        ({"unit_cents": -1}, "unit_cents"),
        ({"unit_cents": 10**30}, "unit_cents"),
        ({"discounts": (Decimal(101),)}, "discounts"),
        ({"discounts": (Decimal("NaN"),)}, "discounts"),
        ({"discounts": (0.1,)}, "discounts"),
        ({"discount_cents": 1001}, "discount_cents"),
        ({"discount_cents": -1}, "discount_cents"),
    ],
)
def test_lines_that_cannot_be_are_refused(change, field):
    with pytest.raises(BitternError) as refused:
        replace(QuoteLine("Cylinder", 1, 1000, LineKind.GOODS), **change)
    assert refused.value.field == field
