from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.keying import BittingSpec, KeyingError, read_bitting, read_inches, write_bitting, write_inches

PLAIN = {"chambers": 6, "depths": 10, "macs": 7, "step": 2}


def test_a_spec_reads_from_json_and_writes_back_equal():
    spec = BittingSpec.from_json(
        {
            **PLAIN,
            "first_depth": 1,
            "depth0_in": "0.33",
            "increment_in": 0.0125,
            "spacing_in": "5/32",
            "stack_total": None,
        }
    )
    assert spec.increment_in == Fraction(1, 80)
    assert spec.spacing_in == Fraction(5, 32)
    assert list(spec.all_depths) == list(range(1, 11))
    assert BittingSpec.from_json(spec.to_json()) == spec


def test_an_absent_macs_does_not_bind():
    assert BittingSpec.from_json({"chambers": 6, "depths": 10}).macs == 9


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"chambers": 2}, "spec.chambers"),
        ({"chambers": 13}, "spec.chambers"),
        ({"chambers": True}, "spec.chambers"),
        ({"chambers": 6.0}, "spec.chambers"),
        ({"chambers": [6]}, "spec.chambers"),
        ({"chambers": None}, "spec.chambers"),
        ({"chambers": 10**30}, "spec.chambers"),
        ({"depths": 1}, "spec.depths"),
        ({"depths": 17}, "spec.depths"),
        ({"depths": "ten"}, "spec.depths"),
        ({"first_depth": -1}, "spec.first_depth"),
        ({"first_depth": 7}, "spec.first_depth"),
        ({"macs": -1}, "spec.macs"),
        ({"macs": float("nan")}, "spec.macs"),
        ({"step": 3}, "spec.step"),
        ({"stack_total": 10**30}, "spec.stack_total"),
        ({"control_offset": "ten"}, "spec.control_offset"),
        ({"min_master_pin": -1}, "spec.min_master_pin"),
        ({"depth0_in": "a third"}, "spec.depth0_in"),
        ({"depth0_in": "1/0"}, "spec.depth0_in"),
        ({"depth0_in": float("nan")}, "spec.depth0_in"),
        ({"depth0_in": True}, "spec.depth0_in"),
        ({"spacing_in": "0"}, "spec.spacing_in"),
        ({"first_cut_in": "9" * 10_000}, "spec.first_cut_in"),
        ({"depth0_in": "0.1", "increment_in": "0.0125"}, "spec.increment_in"),
        ({"name": "x" * 10_000}, "spec.name"),
        ({"name": ["x"]}, "spec.name"),
        ({"mcas": 7}, "spec.mcas"),
    ],
)
def test_a_bad_spec_is_refused_by_field(change, field):
    with pytest.raises(KeyingError) as refused:
        BittingSpec.from_json({**PLAIN, **change})
    assert refused.value.field == field


@pytest.mark.parametrize("given", [None, [], "spec", 5])
def test_a_spec_that_is_no_object_is_refused(given):
    with pytest.raises(KeyingError) as refused:
        BittingSpec.from_json(given)
    assert refused.value.field == "spec"


SPEC = BittingSpec(chambers=3, depths=16, macs=15, step=1)


@given(st.tuples(*[st.integers(0, 15)] * 3))
def test_bittings_write_and_read_back(bitting):
    assert read_bitting(SPEC, write_bitting(SPEC, bitting), "tmk") == bitting
    assert read_bitting(SPEC, write_bitting(SPEC, bitting).lower(), "tmk") == bitting


@pytest.mark.parametrize("text", [None, 345, "12", "1234", "12G", "1 2", "١٢٣", "9" * 10_000, ["1", "2", "3"]])
def test_a_bad_bitting_is_refused_without_repeating_it(text):
    with pytest.raises(KeyingError) as refused:
        read_bitting(SPEC, text, "tmk")
    assert refused.value.field == "tmk"
    assert "12" not in str(refused.value).replace("12 chambers", "")


def test_a_depth_outside_the_spec_names_its_chamber():
    spec = BittingSpec(chambers=3, depths=6, first_depth=1, macs=5, step=1)
    with pytest.raises(KeyingError, match="Chamber 2: depths of this spec run from 1 to 6"):
        read_bitting(spec, "107", "keys.AA1")


@given(st.fractions(min_value=Fraction(1, 999), max_value=10, max_denominator=999))
def test_inches_write_and_read_back(inches):
    assert read_inches(write_inches(inches), "spec.depth0_in") == inches
