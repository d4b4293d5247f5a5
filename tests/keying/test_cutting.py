from __future__ import annotations

from fractions import Fraction

import pytest

from app.keying import BittingSpec, KeyingError, cut_list, root_depth

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


def test_cuts_stand_at_exact_places_and_depths():
    cuts = cut_list(BittingSpec.from_json(CHART), (0, 3, 9, 1, 5))
    assert [cut.place for cut in cuts] == [Fraction(n, 1000) for n in (231, 387, 543, 699, 855)]
    assert [cut.root for cut in cuts] == [Fraction(n, 1000) for n in (335, 290, 200, 320, 260)]
    assert cuts[1].place_mm == Fraction("9.8298")
    assert cuts[1].root_mm == Fraction("7.366")
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


def test_a_cut_does_not_show_its_depth():
    assert "root" not in repr(cut_list(BittingSpec.from_json(CHART), (0, 3, 9, 1, 5))[0])
