from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.errors import BitternError
from app.fitting import LengthQuestion, fit_both_positions, fit_length, required_length

EIGHTH = Fraction(1, 8)
STOCKED = tuple(Fraction(parts, 8) for parts in (8, 9, 10, 11, 12, 14, 16))
USUAL = LengthQuestion(Fraction(7, 4), Fraction(1), Fraction(0), Fraction(3, 4), STOCKED, (EIGHTH, 2 * EIGHTH))


def test_a_usual_door_takes_the_usual_length() -> None:
    fit = fit_length(USUAL)
    assert (fit.required, fit.chosen, fit.ring, fit.projection) == (9 * EIGHTH, 9 * EIGHTH, 0, 0)
    assert fit.warnings == ()


def test_a_length_that_needs_a_ring() -> None:
    fit = fit_length(replace(USUAL, door=Fraction(2), lengths=(9 * EIGHTH, 11 * EIGHTH)))
    assert (fit.required, fit.chosen, fit.ring, fit.projection) == (10 * EIGHTH, 11 * EIGHTH, EIGHTH, 0)
    assert fit.warnings == ()


def test_a_ring_thicker_than_the_gap_is_never_used() -> None:
    fit = fit_length(replace(USUAL, trim=Fraction(1, 16), rings=(EIGHTH,)))
    assert (fit.chosen, fit.ring, fit.projection) == (10 * EIGHTH, 0, Fraction(1, 16))
    assert "proud by 1/16 in" in fit.warnings[0]


def test_a_longer_one_that_would_sit_flush_is_offered() -> None:
    lengths = (9 * EIGHTH, Fraction(19, 16))
    fit = fit_length(replace(USUAL, door=Fraction(13, 8), lengths=lengths, rings=(EIGHTH,)))
    assert (fit.required, fit.chosen, fit.projection) == (Fraction(17, 16), 9 * EIGHTH, Fraction(1, 16))
    assert fit.warnings[1] == "1-3/16 in with a 1/8 in ring would sit flush."


def test_nothing_long_enough_is_an_answer_not_an_error() -> None:
    fit = fit_length(replace(USUAL, door=Fraction(6)))
    assert (fit.chosen, fit.ring, fit.projection) == (None, None, None)
    assert "the longest is 2 in" in fit.warnings[0]


def test_outside_and_inside_differ_by_their_trim() -> None:
    outside, inside = fit_both_positions(replace(USUAL, trim=EIGHTH), Fraction(1, 4))
    assert (outside.required, inside.required) == (10 * EIGHTH, 11 * EIGHTH)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"door": Fraction(0)}, "door"),
        ({"case": Fraction(0)}, "case"),
        ({"case": Fraction(2)}, "case"),
        ({"cam_depth": Fraction(0)}, "cam_depth"),
        ({"lengths": ()}, "lengths"),
        ({"lengths": (Fraction(0),)}, "lengths"),
        ({"rings": (Fraction(0),)}, "rings"),
    ],
)
def test_measures_that_cannot_be_are_refused(change: dict[str, Fraction], field: str) -> None:
    with pytest.raises(BitternError) as refusal:
        fit_length(replace(USUAL, **change))
    assert refusal.value.field == field


MEASURE = st.fractions(Fraction(1, 64), 4, max_denominator=64)


@settings(deadline=None)
@given(MEASURE, MEASURE, MEASURE, MEASURE, st.lists(MEASURE, min_size=1, max_size=8), st.lists(MEASURE, max_size=5))
def test_the_choice_is_the_next_up_and_the_parts_add_up(
    extra: Fraction,
    case: Fraction,
    trim: Fraction,
    cam: Fraction,
    lengths: list[Fraction],
    rings: list[Fraction],
) -> None:
    fit = fit_length(LengthQuestion(case + extra, case, trim, cam, tuple(lengths), tuple(rings)))
    assert fit.required == extra / 2 + trim + cam
    if fit.chosen is None:
        assert max(lengths) < fit.required
        return
    assert fit.chosen in lengths
    assert not [length for length in lengths if fit.required <= length < fit.chosen]
    assert fit.ring is not None and fit.projection is not None
    assert fit.ring in [0, *rings] and fit.projection >= 0
    assert fit.required + fit.ring + fit.projection == fit.chosen
    assert bool(fit.warnings) == bool(fit.projection)
    assert not [ring for ring in rings if fit.ring < ring <= fit.chosen - fit.required]


@settings(deadline=None)
@given(MEASURE, MEASURE)
def test_a_quarter_more_door_asks_for_an_eighth_more(extra: Fraction, case: Fraction) -> None:
    thin = required_length(case + extra, case, Fraction(0), Fraction(3, 4))
    assert required_length(case + extra + Fraction(1, 4), case, Fraction(0), Fraction(3, 4)) - thin == EIGHTH


def test_a_case_as_thick_as_the_door_is_no_fault() -> None:
    assert required_length(Fraction(1), Fraction(1), EIGHTH, Fraction(3, 4)) == Fraction(7, 8)


def test_of_two_longer_ones_that_would_sit_flush_the_nearer_is_offered() -> None:
    lengths, rings = (8 * EIGHTH, 9 * EIGHTH, 10 * EIGHTH), (3 * EIGHTH / 2, 5 * EIGHTH / 2)
    fit = fit_length(replace(USUAL, door=Fraction(11, 8), lengths=lengths, rings=rings))
    assert (fit.required, fit.chosen, fit.projection) == (Fraction(15, 16), 8 * EIGHTH, Fraction(1, 16))
    assert fit.warnings[1:] == ("1-1/8 in with a 3/16 in ring would sit flush.",)
