from fractions import Fraction

import pytest

from app.errors import BitternError
from app.fitting import MortiseBody, common_body, fit_thread


def test_the_common_body_fits_the_common_hole() -> None:
    assert fit_thread(common_body(), common_body()).fits


def test_each_thing_that_differs_is_said() -> None:
    odd = MortiseBody(Fraction(5, 4), 27)
    fit = fit_thread(odd, common_body())
    assert not fit.fits
    assert "3/32 in too large" in fit.reasons[0]
    assert "27 to the inch on the cylinder, 32 in the lock" in fit.reasons[1]


def test_a_body_of_no_size_is_refused() -> None:
    with pytest.raises(BitternError) as refusal:
        fit_thread(common_body(), MortiseBody(Fraction(0), 32))
    assert refusal.value.field == "lock"


@pytest.mark.parametrize(
    ("cylinder", "lock", "field"),
    [
        (MortiseBody(Fraction(1), 0), MortiseBody(Fraction(1), 32), "cylinder"),
        (MortiseBody(Fraction(-1), 32), MortiseBody(Fraction(1), 32), "cylinder"),
        (MortiseBody(Fraction(1), 32), MortiseBody(Fraction(1), 0), "lock"),
    ],
)
def test_a_body_without_size_or_thread_is_refused_by_whose_it_is(
    cylinder: MortiseBody, lock: MortiseBody, field: str
) -> None:
    with pytest.raises(BitternError) as refusal:
        fit_thread(cylinder, lock)
    assert (refusal.value.field, refusal.value.message) == (
        field,
        "Enter a diameter and threads per inch, both more than 0.",
    )
