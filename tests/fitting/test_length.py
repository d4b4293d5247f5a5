from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.errors import BitternError
from app.fitting import (
    LengthQuestion,
    fit_both_positions,
    fit_length,
    read_inches,
    required_length,
    tolerance,
    trade_fact,
)

EIGHTH = Fraction(1, 8)
SLACK = Fraction(1, 64)
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
        assert max(lengths) <= fit.required - SLACK
        return
    assert fit.chosen in lengths
    assert not [length for length in lengths if fit.required - SLACK < length < fit.chosen]
    assert fit.ring is not None and fit.projection is not None
    assert fit.ring in [0, *rings] and fit.projection > -SLACK
    assert fit.required + fit.ring + fit.projection == fit.chosen
    assert bool(fit.warnings) == (fit.projection >= SLACK) == (not fit.is_flush)
    gap = fit.chosen - fit.required
    assert gap < SLACK or not [ring for ring in rings if fit.ring < ring < gap + SLACK]


@pytest.mark.parametrize(
    ("door", "required", "chosen", "ring", "projection"),
    [
        # 57 mm is 285/127 in: (285/127 - 1)/2 + 3/4 = 697/508 = 1.37205; 1-3/8 is 3/1016 = 0.003 in more.
        ("57 mm", Fraction(697, 508), Fraction(11, 8), 0, Fraction(3, 1016)),
        # 51 mm is 255/127 in: 637/508 = 1.25394; 1-1/4 is 1/254 = 0.0039 in less, no reason for 1-3/8.
        ("51 mm", Fraction(637, 508), Fraction(5, 4), 0, Fraction(-1, 254)),
        # 60 mm is 300/127 in: 727/508 = 1.43110; 1-1/2 is 35/508 = 0.0689 in more, of which a ring takes 1/16.
        ("60 mm", Fraction(727, 508), Fraction(3, 2), Fraction(1, 16), Fraction(13, 2032)),
    ],
)
def test_what_is_less_than_the_tolerance_is_neither_proud_nor_short(
    door: str, required: Fraction, chosen: Fraction, ring: Fraction, projection: Fraction
) -> None:
    fit = fit_length(replace(USUAL, door=read_inches(door), rings=(Fraction(1, 16), EIGHTH)))
    assert (fit.required, fit.chosen, fit.ring, fit.projection) == (required, chosen, ring, projection)
    assert fit.is_flush and fit.warnings == ()


def test_the_tolerance_itself_counts_on_both_sides() -> None:
    """1/64 in, half a turn of 32 threads: common practice, no source."""
    assert tolerance() == SLACK == Fraction(1, 2) / trade_fact("mortise_threads_per_inch").value
    proud = fit_length(replace(USUAL, lengths=(9 * EIGHTH + SLACK,), rings=()))
    assert not proud.is_flush and "proud by 1/64 in" in proud.warnings[0]
    assert fit_length(replace(USUAL, lengths=(9 * EIGHTH - SLACK,))).chosen is None
    assert fit_length(replace(USUAL, lengths=(9 * EIGHTH + SLACK,), rings=(SLACK,))).ring == SLACK


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
