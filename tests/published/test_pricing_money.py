"""Money against Python's decimal, ROUND_HALF_UP: "round to nearest with ties going away from zero" (P, Python
documentation, decimal, docs.python.org/3/library/decimal.html)."""

from datetime import date
from decimal import ROUND_HALF_UP, Context, Decimal
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from app.pricing import PricedLine, PriceKind, TaxRule, half_up, total

EXACT = Context(prec=60)


def by_decimal(exact):
    return int(exact.quantize(Decimal(1), rounding=ROUND_HALF_UP, context=EXACT))


@given(st.decimals(-(10**12), 10**12, places=6))
def test_rounding_is_decimals(exact):
    assert half_up(exact) == half_up(Fraction(exact)) == by_decimal(exact)


@given(st.integers(-(10**9), 10**9))
def test_halves_are_decimals(whole):
    assert half_up(Fraction(2 * whole + 1, 2)) == by_decimal(Decimal(whole) + Decimal("0.5"))


@given(
    st.integers(1, 999),
    st.integers(0, 99_999),
    st.lists(st.decimals(0, 100, places=2), max_size=3),
    st.decimals(0, 20, places=3),
)
def test_a_line_and_its_tax_are_never_a_cent_off(quantity, unit, discounts, rate):
    line = PricedLine("Cylinder", quantity, unit, PriceKind.GOODS, tuple(discounts))
    exact = Decimal(quantity * unit)
    for percent in discounts:
        exact = EXACT.multiply(exact, (100 - percent) / 100)
    net = by_decimal(exact)
    rule = TaxRule("Saltmarsh", rate, True, True, date(2026, 1, 1))
    sums = total([line], rule, None, date(2026, 3, 2))
    assert sums.subtotal_cents == net
    assert sums.tax_cents == by_decimal(EXACT.multiply(Decimal(net), rate) / 100)
