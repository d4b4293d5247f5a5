from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.errors import BitternError
from app.pricing import MAX_CENTS, half_up, read_cents, read_percent, show_cents


@given(st.integers(0, MAX_CENTS))
def test_what_is_shown_reads_back(cents):
    assert read_cents(show_cents(cents), "price") == cents


@pytest.mark.parametrize(
    ("typed", "cents"),
    [
        ("12", 1200),
        ("12.5", 1250),
        ("$ 0.07", 7),
        ("1,000", 100_000),
        ("0012.00", 1200),
        ("10,000,000.00", MAX_CENTS),
    ],
)
def test_amounts_are_read(typed, cents):
    assert read_cents(typed, "price") == cents


@pytest.mark.parametrize(
    ("typed", "word"),
    [
        ("", "Enter an amount"),
        ("   ", "Enter an amount"),
        (".5", "before the point"),
        ("$.50", "before the point"),
        ("12.345", "two decimals"),
        ("-3", "negative"),
        ("−3", "negative"),
        ("(3.00)", "negative"),
        ("$-3.00", "negative"),
        ("12,34", "1,234.50"),
        ("12.", "1,234.50"),
        ("twelve", "not an amount"),
        ("1e3", "not an amount"),
        ("٣", "not an amount"),
        ("1 000", "not an amount"),
        ("12.50 USD", "not an amount"),
        ("10000000.01", "above"),
        (str(10**30), "above"),
        ("9" * 10_000, "too long"),
        ("x" * 10_000, "too long"),
    ],
)
def test_what_is_no_amount_is_refused_by_name(typed, word):
    with pytest.raises(BitternError) as refused:
        read_cents(typed, "price")
    assert refused.value.field == "price"
    assert word in refused.value.message
    assert len(refused.value.message) < 200


@pytest.mark.parametrize("given", [None, 12, 12.5, True, [], {}])
def test_what_is_not_text_is_refused(given):
    with pytest.raises(BitternError):
        read_cents(given, "price")
    with pytest.raises(BitternError):
        read_percent(given, "rate")


def test_amounts_print_with_a_true_minus_sign():
    assert show_cents(-123456789) == "−$1,234,567.89"
    assert show_cents(0) == "$0.00"


@pytest.mark.parametrize(("typed", "percent"), [("8.25", "8.25"), ("0", "0"), ("100%", "100"), ("7.1234", "7.1234")])
def test_percentages_are_read(typed, percent):
    assert read_percent(typed, "rate") == Decimal(percent)


@pytest.mark.parametrize("typed", ["", "-1", "100.01", "101", "8,25", "8.12345", "NaN", "9" * 10_000])
def test_what_is_no_percentage_is_refused(typed):
    with pytest.raises(BitternError, match="rate"):
        read_percent(typed, "rate")


def test_halves_go_away_from_zero():
    assert [half_up(Fraction(n, 2)) for n in (-3, -1, 0, 1, 3)] == [-2, -1, 0, 1, 2]
    assert half_up(Fraction(10**40 + 1, 2)) == (10**40 + 2) // 2
