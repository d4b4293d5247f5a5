from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.errors import BitternError
from app.fitting import TailpieceQuestion, fit_tailpiece

EIGHTH = Fraction(1, 8)
USUAL = TailpieceQuestion(Fraction(7, 4), Fraction(9, 8), Fraction(0), 2 * EIGHTH, 4 * EIGHTH, 20 * EIGHTH, EIGHTH)


def test_the_longest_cut_on_a_notch_that_does_not_bottom() -> None:
    fit = fit_tailpiece(replace(USUAL, reach_most=Fraction(17, 32)))
    assert (fit.least, fit.most) == (Fraction(7, 8), Fraction(37, 32))
    assert (fit.cut_to, fit.cut_off, fit.warnings) == (9 * EIGHTH, 11 * EIGHTH, ())


def test_without_notches_it_is_cut_to_the_most() -> None:
    assert fit_tailpiece(replace(USUAL, reach_most=Fraction(17, 32), notch=None)).cut_to == Fraction(37, 32)


def test_an_uncut_tailpiece_that_is_right_is_left_alone() -> None:
    fit = fit_tailpiece(replace(USUAL, supplied=Fraction(31, 32)))
    assert (fit.cut_to, fit.cut_off) == (Fraction(31, 32), 0)


def test_too_short_no_notch_and_no_room() -> None:
    short = fit_tailpiece(replace(USUAL, supplied=4 * EIGHTH))
    assert short.cut_to is None and "3/8 in too short" in short.warnings[0]
    between = fit_tailpiece(replace(USUAL, notch=Fraction(4, 3)))
    assert between.cut_to is None and "notch" in between.warnings[0]
    through = fit_tailpiece(replace(USUAL, length=Fraction(3)))
    assert through.cut_to is None and "1-1/4 in into the lock" in through.warnings[0]


@pytest.mark.parametrize("field", ["door", "length", "supplied", "notch"])
def test_measures_that_cannot_be_are_refused(field: str) -> None:
    with pytest.raises(BitternError) as refusal:
        fit_tailpiece(replace(USUAL, **{field: Fraction(0)}))
    assert refusal.value.field == field
    with pytest.raises(BitternError, match="swap them"):
        fit_tailpiece(replace(USUAL, reach_least=Fraction(1)))


MEASURE = st.fractions(EIGHTH, 3, max_denominator=32)


@settings(deadline=None)
@given(MEASURE, MEASURE, MEASURE, MEASURE, st.none() | MEASURE)
def test_a_cut_always_lies_right(
    door: Fraction, length: Fraction, extra: Fraction, supplied: Fraction, notch: Fraction | None
) -> None:
    fit = fit_tailpiece(TailpieceQuestion(door, length, Fraction(0), EIGHTH, EIGHTH + extra, supplied, notch))
    if fit.cut_to is None:
        assert fit.warnings
        return
    assert fit.least <= fit.cut_to <= min(fit.most, supplied)
    assert fit.cut_off == supplied - fit.cut_to
    assert notch is None or not fit.cut_off or fit.cut_to % notch == 0


def test_a_reach_of_one_measure_is_cut_to_it() -> None:
    fit = fit_tailpiece(replace(USUAL, reach_least=4 * EIGHTH, reach_most=4 * EIGHTH))
    assert (fit.least, fit.most, fit.cut_to, fit.warnings) == (9 * EIGHTH, 9 * EIGHTH, 9 * EIGHTH, ())
    with pytest.raises(BitternError) as refusal:
        fit_tailpiece(replace(USUAL, reach_least=5 * EIGHTH))
    assert (refusal.value.field, refusal.value.message) == (
        "reach_least",
        "The least reach is more than the most: swap them.",
    )


def test_a_body_as_long_as_the_door_does_not_go_through_it() -> None:
    flush = fit_tailpiece(replace(USUAL, length=Fraction(7, 4)))
    assert (flush.cut_to, flush.warnings) == (4 * EIGHTH, ())
    through = fit_tailpiece(replace(USUAL, length=15 * EIGHTH))
    assert through.warnings == (
        "The body goes through the door and stands 1/8 in into the lock: take a shorter cylinder or more trim.",
    )
    full = fit_tailpiece(replace(USUAL, length=18 * EIGHTH))  # just as far as the lock is deep
    assert (full.most, full.cut_to, full.warnings[1:]) == (0, None, ("There is no room for a tailpiece.",))
