"""The deposit that a house asks, held against Python's decimal."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.errors import BitternError
from app.pricing import MAX_CENTS, DepositRule

CENTS = st.integers(0, MAX_CENTS)
PERCENTS = st.decimals(0, 100, places=2, allow_nan=False)


@given(PERCENTS, CENTS, CENTS)
def test_a_share_is_rounded_half_up_and_never_above_the_total(percent, above, total):
    asked = DepositRule(percent=percent, above_cents=above).asked_cents(total)
    exact = (Decimal(total) * percent / 100).quantize(Decimal(1), ROUND_HALF_UP)
    assert asked == (int(exact) if total > above else 0)
    assert 0 <= asked <= total


@given(CENTS, CENTS, CENTS)
def test_an_amount_is_asked_whole_unless_the_total_is_less(cents, above, total):
    asked = DepositRule(cents=cents, above_cents=above).asked_cents(total)
    assert asked == (min(cents, total) if total > above else 0)


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        (DepositRule(), "No deposit is asked."),
        (DepositRule(percent=Decimal("33.3")), "A deposit of 33.3 % is asked of every quote."),
        (
            DepositRule(cents=20_00, above_cents=500_00),
            "A deposit of $20.00 is asked of quotes above $500.00, tax included.",
        ),
    ],
)
def test_the_rule_reads_as_a_sentence(rule, words):
    assert rule.words == words


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"percent": Decimal(101)}, "deposit_percent"),
        ({"percent": Decimal("NaN")}, "deposit_percent"),
        ({"percent": True}, "deposit_percent"),
        ({"cents": 10**30}, "deposit_cents"),
        ({"cents": True}, "deposit_cents"),
        ({"above_cents": -1}, "deposit_above_cents"),
        ({"percent": Decimal(10), "cents": 5}, "deposit_cents"),
    ],
)
def test_what_cannot_be_is_refused_by_field(wrong, field):
    with pytest.raises(BitternError) as refused:
        DepositRule(**wrong)
    assert refused.value.field == field
