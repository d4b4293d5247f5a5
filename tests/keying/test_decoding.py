from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.keying import BittingSpec, CutState, KeyingError, decode, root_depth

SPEC = BittingSpec.from_json(
    {
        "chambers": 5,
        "depths": 10,
        "first_depth": 1,
        "macs": 9,
        "step": 2,
        "depth0_in": "0.335",
        "increment_in": "0.015",
    }
)
TOLERANCE = Fraction("0.002")
thousandths = st.integers(-2, 2).map(lambda n: Fraction(n, 1000))


@given(st.tuples(*[st.integers(1, 10)] * 5), st.tuples(*[thousandths] * 5))
def test_a_key_within_tolerance_decodes_to_its_bitting(bitting, slips):
    measured = [root_depth(SPEC, depth) + slip for depth, slip in zip(bitting, slips, strict=True)]
    key = decode(SPEC, measured, TOLERANCE)
    assert key.bitting == bitting
    assert all(cut.state is CutState.GOOD for cut in key.cuts)
    assert [cut.off for cut in key.cuts] == [-slip for slip in slips]
    assert key.warnings == ()


@given(st.integers(1, 10), st.integers(3, 7))
def test_a_worn_cut_is_read_as_what_it_was(depth, worn):
    measured = [root_depth(SPEC, depth) - Fraction(worn, 1000), *[root_depth(SPEC, depth)] * 4]
    key = decode(SPEC, measured, TOLERANCE)
    assert key.cuts[0].state is CutState.WORN
    assert key.cuts[0].could_be[0] == depth
    assert key.bitting == (depth,) * 5
    assert key.warnings == ("Chamber 1: the cut is worn.",)


@given(st.integers(2, 10), st.integers(3, 7))
def test_a_cut_in_between_leaves_two_depths_and_no_bitting(depth, short):
    measured = [root_depth(SPEC, depth) + Fraction(short, 1000), *[root_depth(SPEC, depth)] * 4]
    key = decode(SPEC, measured, TOLERANCE)
    assert key.cuts[0].state is CutState.BETWEEN
    assert key.cuts[0].could_be == (depth - 1, depth)
    assert key.bitting is None


@pytest.mark.parametrize("root", ["0.345", "0.339", "0.180", "0.001"])
def test_cuts_outside_the_chart_are_told(root):
    key = decode(SPEC, [Fraction(root), *[Fraction("0.32")] * 4], TOLERANCE)
    assert key.cuts[0].state is CutState.OUTSIDE
    assert key.bitting is None


def test_a_reading_that_breaks_macs_is_told():
    spec = BittingSpec.from_json({**SPEC.to_json(), "macs": 4})
    key = decode(spec, [root_depth(spec, d) for d in (1, 9, 5, 5, 5)], TOLERANCE)
    assert not key.within_macs
    assert key.bitting == (1, 9, 5, 5, 5)
    assert "MACS" in key.warnings[0]


@pytest.mark.parametrize(
    ("spec", "measured", "tolerance", "field"),
    [
        (SPEC, ["0.3"] * 4, "0.002", "measured"),
        (SPEC, ["0.3"] * 4 + ["-1"], "0.002", "measured"),
        (SPEC, ["0.3"] * 4 + ["1e30"], "0.002", "measured"),
        (SPEC, ["0.3"] * 5, "0.0075", "tolerance"),
        (SPEC, ["0.3"] * 5, "0", "tolerance"),
        (BittingSpec(chambers=5, depths=10, macs=9, step=2), ["0.3"] * 5, "0.002", "spec.increment_in"),
    ],
)
def test_what_cannot_be_decoded_is_refused(spec, measured, tolerance, field):
    with pytest.raises(KeyingError) as refused:
        decode(spec, [Fraction(text) for text in measured], Fraction(tolerance))
    assert refused.value.field == field


def test_a_decoded_key_does_not_show_its_bitting():
    key = decode(SPEC, [Fraction("0.32")] * 5, TOLERANCE)
    assert "bitting" not in repr(key)
    assert "depth=" not in repr(key)
