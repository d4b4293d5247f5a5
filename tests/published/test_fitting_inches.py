"""The inch is exactly 25.4 mm by definition (international inch, 1959); fractions against Python's own."""

from fractions import Fraction

from hypothesis import given, settings
from hypothesis import strategies as st

from app.fitting import read_inches
from app.fitting.inches import MM_PER_INCH


def test_an_inch_is_exactly_25_4_mm() -> None:
    assert Fraction(127, 5) == MM_PER_INCH
    assert read_inches("25.4 mm") == 1


@settings(deadline=None)
@given(st.integers(0, 25_400_000))
def test_millimeters_to_a_thousandth_come_back_exactly(thousandths: int) -> None:
    text = f"{thousandths // 1000}.{thousandths % 1000:03d} mm"
    assert read_inches(text) * MM_PER_INCH == Fraction(thousandths, 1000)


@settings(deadline=None)
@given(st.integers(0, 900), st.integers(0, 999), st.integers(1, 1000))
def test_mixed_numbers_are_python_fractions(whole: int, top: int, bottom: int) -> None:
    top %= bottom
    assert read_inches(f"{whole}-{top}/{bottom}") == whole + Fraction(top, bottom)


@settings(deadline=None)
@given(st.decimals(0, 1000, places=6))
def test_decimals_are_python_fractions(number: object) -> None:
    assert read_inches(f"{number:f}") == Fraction(f"{number:f}")
