import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.errors import BitternError
from app.fitting import read_inches, show_inches, write_inches

NINE_EIGHTHS = Fraction(9, 8)


@pytest.mark.parametrize(
    "text",
    [
        *("1-1/8", "1 1/8", "1.125", "1⅛", '1-1/8"', "1–1/8", " 1 - 1/8 in.", "1-⅛", "1⅛″", "9/8", "1.125 inches"),
        *("28.575 mm", "28.575mm", "1⁄8 in".replace("1", "9", 1), "１-１/８"),
    ],
)
def test_every_way_to_type_nine_eighths(text: str) -> None:
    assert read_inches(text, "length") == NINE_EIGHTHS


def test_numbers_from_json_are_taken_by_their_digits() -> None:
    assert read_inches(2) == 2
    assert read_inches(0.1) == Fraction(1, 10)
    assert read_inches(Fraction(3, 7)) == Fraction(3, 7)


@pytest.mark.parametrize(
    "bad",
    [
        *("", "one", "1/0", "1-1/0", "1-9/8", "1/8/2", "-1", "1--1/8", "1'", "28,6 mm", "1e3", "inf", "1_0", "²"),
        *(None, True, [], {}, math.nan, math.inf, -1, 10**30, "9" * 30, "1" * 10_000, "1001", Fraction(-1, 2)),
    ],
)
def test_anything_else_is_refused_by_field(bad: object) -> None:
    with pytest.raises(BitternError) as refusal:
        read_inches(bad, "door")
    assert refusal.value.field == "door"
    assert len(refusal.value.message) < 200


def test_values_off_the_trade_scale_print_as_decimals() -> None:
    assert show_inches(Fraction(1, 128)) == "0.0078"
    assert show_inches(Fraction(5, 3)) == "1.6667"
    assert show_inches(Fraction(6, 5)) == "1.2"
    assert show_inches(Fraction(-9, 8)) == "-1-1/8"
    assert show_inches(Fraction(0)) == "0"


@settings(deadline=None)
@given(st.integers(0, 64_000))
def test_every_sixty_fourth_is_read_back_as_shown(parts: int) -> None:
    value = Fraction(parts, 64)
    assert read_inches(show_inches(value)) == value


@settings(deadline=None)
@given(st.fractions(0, 1000, max_denominator=10_000))
def test_written_values_are_read_back_exactly(value: Fraction) -> None:
    assert read_inches(write_inches(value)) == value


@settings(deadline=None)
@given(st.text(max_size=60))
def test_no_text_ends_in_a_traceback(text: str) -> None:
    try:
        assert 0 <= read_inches(text, "x") <= 1000
    except BitternError as refusal:
        assert refusal.field == "x"
