from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.errors import BitternError
from app.fitting import BoreQuestion, fit_bore, read_inches

BACKSETS = (Fraction(2), Fraction(19, 8), Fraction(11, 4))
NARROW = BoreQuestion(Fraction(4), BACKSETS, Fraction(17, 8), Fraction(15, 8), Fraction(17, 8))


def test_a_narrow_stile_takes_the_two_inch_backset_centered() -> None:
    fit = fit_bore(NARROW)
    assert (fit.centered_backset, fit.chosen, fit.offset_from_center) == (2, 2, 0)
    assert fit.edge_left == fit.door_edge_left == fit.inner_edge_left == Fraction(15, 16)
    assert fit.warnings == ()


def test_without_it_the_bolt_is_off_center_and_says_to_which_side() -> None:
    fit = fit_bore(replace(NARROW, backsets=BACKSETS[1:]))
    assert (fit.chosen, fit.offset_from_center) == (Fraction(19, 8), Fraction(3, 8))
    assert (fit.door_edge_left, fit.inner_edge_left) == (Fraction(21, 16), Fraction(9, 16))
    assert fit.edge_left == Fraction(9, 16)
    assert "3/8 in farther from the door's edge" in fit.warnings[0]
    assert "nearer the door's edge" in fit_bore(replace(NARROW, stile=Fraction(8))).warnings[0]


def test_a_hole_too_small_or_too_large_is_warned_of() -> None:
    small = fit_bore(replace(NARROW, bore=Fraction(3, 2)))
    assert "opened up to 1-7/8 in" in small.warnings[0] and "fire-rated" in small.warnings[0]
    assert "larger than the 2-1/8 in" in fit_bore(replace(NARROW, bore=Fraction(5, 2))).warnings[0]


def test_a_hole_that_breaks_out_of_the_stile() -> None:
    fit = fit_bore(replace(NARROW, stile=Fraction(5, 2), backsets=(Fraction(2),)))
    assert fit.edge_left < 0
    assert any("does not fit" in warning for warning in fit.warnings)


def test_a_glass_stop_takes_from_the_inner_side_alone() -> None:
    # 4 in stile, 2 in backset, 2-1/8 in hole: 4 - 3/4 - 2 - 1-1/16 = 3/16 left before the stop; with 1 in of stop the
    # hole runs 1/16 in under it.
    fit = fit_bore(replace(NARROW, glass_stop=Fraction(3, 4)))
    assert (fit.door_edge_left, fit.inner_edge_left, fit.edge_left) == (
        Fraction(15, 16),
        Fraction(3, 16),
        Fraction(3, 16),
    )
    assert fit.is_centered and fit.warnings == ()
    under = fit_bore(replace(NARROW, glass_stop=Fraction(1)))
    assert under.warnings == ("The hole runs 1/16 in under the glass stop: this bolt does not fit here.",)


def test_a_bolt_off_the_middle_by_less_than_the_tolerance_is_centered() -> None:
    # 101 mm is 505/127 in; its middle, 505/254 = 1.98819, is 0.0118 in from 2, less than 1/64 = 0.0156.
    fit = fit_bore(replace(NARROW, stile=read_inches("101 mm")))
    assert (fit.chosen, fit.offset_from_center) == (2, Fraction(3, 254))
    assert fit.is_centered and fit.warnings == ()
    assert not fit_bore(replace(NARROW, stile=Fraction(4) - Fraction(1, 32))).is_centered


def test_of_two_backsets_as_near_the_longer_is_taken() -> None:
    assert fit_bore(replace(NARROW, stile=Fraction(35, 8))).chosen == Fraction(19, 8)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"stile": Fraction(0)}, "stile"),
        ({"bore": Fraction(0)}, "bore"),
        ({"bore": Fraction(4)}, "bore"),
        ({"backsets": ()}, "backsets"),
        ({"backsets": (Fraction(0),)}, "backsets"),
        ({"bore_min": Fraction(3)}, "bore_min"),
        ({"glass_stop": Fraction(4)}, "glass_stop"),
    ],
)
def test_measures_that_cannot_be_are_refused(change: dict[str, Fraction], field: str) -> None:
    with pytest.raises(BitternError) as refusal:
        fit_bore(replace(NARROW, **change))
    assert refusal.value.field == field


MEASURE = st.fractions(Fraction(1, 16), 6, max_denominator=32)


@settings(deadline=None)
@given(MEASURE, st.lists(MEASURE, min_size=1, max_size=6), MEASURE)
def test_nothing_is_nearer_the_center_and_the_stile_adds_up(
    bore: Fraction, backsets: list[Fraction], extra: Fraction
) -> None:
    stile = bore + extra
    fit = fit_bore(BoreQuestion(stile, tuple(backsets), bore))
    assert min(abs(each - stile / 2) for each in backsets) == abs(fit.offset_from_center)
    assert fit.door_edge_left + bore + fit.inner_edge_left == stile
    assert fit.edge_left == min(fit.door_edge_left, fit.inner_edge_left)


def test_a_hole_of_just_the_size_needs_no_warning_and_one_to_the_edge_does() -> None:
    assert fit_bore(replace(NARROW, bore_min=NARROW.bore, bore_max=NARROW.bore)).warnings == ()
    over = fit_bore(replace(NARROW, backsets=(Fraction(1),), bore=Fraction(2)))
    assert over.edge_left == 0
    assert over.warnings[1] == "The hole breaks out of the stile: this bolt does not fit here."
