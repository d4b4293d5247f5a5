from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.keying import (
    BittingSpec,
    CutOrder,
    KeyingError,
    KeyStop,
    cut_list,
    decode,
    read_key,
    root_depth,
    write_inches,
)
from app.keying.cuts import CutState

CHART = {
    "chambers": 5,
    "depths": 10,
    "macs": 7,
    "step": 2,
    "depth0_in": "0.335",
    "increment_in": "0.015",
    "first_cut_in": "0.231",
    "spacing_in": "0.156",
}

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


def test_cuts_stand_at_exact_places_and_depths():
    cuts = cut_list(BittingSpec.from_json(CHART), (0, 3, 9, 1, 5))
    assert [cut.place for cut in cuts] == [Fraction(n, 1000) for n in (231, 387, 543, 699, 855)]
    assert [cut.root for cut in cuts] == [Fraction(n, 1000) for n in (335, 290, 200, 320, 260)]
    assert cuts[4].chamber == 5


def test_the_first_depth_is_the_shallowest_whatever_its_number():
    spec = BittingSpec.from_json({**CHART, "first_depth": 1})
    assert root_depth(spec, 1) == Fraction("0.335")
    assert root_depth(spec, 10) == Fraction("0.200")


@pytest.mark.parametrize("absent", ["depth0_in", "increment_in", "first_cut_in", "spacing_in"])
def test_a_chart_without_its_inches_says_which(absent):
    spec = BittingSpec.from_json({**CHART, absent: None})
    with pytest.raises(KeyingError) as refused:
        cut_list(spec, (0, 3, 9, 1, 5))
    assert refused.value.field == f"spec.{absent}"


def test_a_key_that_stops_at_the_tip_has_its_cuts_counted_and_measured_from_there():
    """Small-format keys stop at the tip: cuts are counted from tip to bow (common practice, no source)."""
    cuts = cut_list(BittingSpec.from_json({**CHART, "stop": "tip"}), (0, 3, 9, 1, 5))
    assert [cut.chamber for cut in cuts] == [5, 4, 3, 2, 1]  # bow to tip, as bittings are written
    assert [cut.place for cut in cuts] == [Fraction(n, 1000) for n in (855, 699, 543, 387, 231)]
    assert [cut.root for cut in cuts] == [Fraction(n, 1000) for n in (335, 290, 200, 320, 260)]
    short = cut_list(BittingSpec.from_json({**CHART, "stop": "tip", "chambers": 4}), (3, 9, 1, 5))
    assert [(cut.chamber, cut.place) for cut in short] == [(cut.chamber, cut.place) for cut in cuts[1:]]


@given(st.tuples(*[st.integers(1, 10)] * 5), st.sampled_from(CutOrder))
def test_a_key_reads_alike_in_inches_in_millimeters_and_by_a_gauge(bitting, order):
    read_in = bitting if order is CutOrder.BOW else bitting[::-1]
    roots = [root_depth(SPEC, depth) for depth in read_in]
    inches = " ".join(write_inches(root) for root in roots)
    metric = [f"{float(root * Fraction(254, 10)):.3f}" for root in roots]  # a caliper's thousandth of a millimeter
    gauge = "".join(f"{depth:X}" for depth in read_in)
    typed = [inches, " ".join(metric) + " mm", "mm ".join(metric) + "mm", gauge, " ".join(map(str, read_in))]
    for text in [*typed, f"{gauge[:2]}-{gauge[2:]}"]:
        assert read_key(SPEC, text, order, TOLERANCE, "cuts").bitting == bitting, text
    assert {cut.off for cut in read_key(SPEC, gauge, order, TOLERANCE, "cuts").cuts} == {None}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("8.509 8.128 7.747 7.366 6.985", "write mm"),
        ("8.5x 8 8 8 8 mm", "Enter inches"),
        ("8.509 mm", "Give 5 measured depths"),
        (f"{'9' * 90} mm", "in millimeters, such as 7.67"),
        ("1 2 3", "has 3 cuts"),
        ("1 2 3 4 99", "has 6 cuts"),
        ("1 2 3 4 0", "run from 1 to A"),
    ],
)
def test_what_is_typed_of_a_key_and_cannot_be_is_refused_by_its_field(text, says):
    with pytest.raises(KeyingError, match=says) as refused:
        read_key(SPEC, text, CutOrder.BOW, TOLERANCE, "cuts")
    assert refused.value.field == "cuts"


def test_chambers_of_a_measured_key_are_counted_from_its_stop():
    key = decode(replace(SPEC, stop=KeyStop.TIP), [Fraction("0.345"), *[Fraction("0.32")] * 4], TOLERANCE)
    assert [cut.chamber for cut in key.cuts] == [5, 4, 3, 2, 1]
    assert key.warnings == ("Chamber 5: the cut is outside the chart.",)


def test_a_cut_does_not_show_its_depth():
    assert "root" not in repr(cut_list(BittingSpec.from_json(CHART), (0, 3, 9, 1, 5))[0])


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
