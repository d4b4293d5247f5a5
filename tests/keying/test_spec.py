from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.errors import Problems
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
        ({"chambers": 2}, "chambers"),
        ({"chambers": 13}, "chambers"),
        ({"chambers": True}, "chambers"),
        ({"chambers": 6.0}, "chambers"),
        ({"chambers": [6]}, "chambers"),
        ({"chambers": None}, "chambers"),
        ({"chambers": 10**30}, "chambers"),
        ({"depths": 1}, "depths"),
        ({"depths": 17}, "depths"),
        ({"depths": "ten"}, "depths"),
        ({"first_depth": -1}, "first_depth"),
        ({"first_depth": 7}, "first_depth"),
        ({"macs": -1}, "macs"),
        ({"macs": float("nan")}, "macs"),
        ({"step": 3}, "step"),
        ({"stack_total": 10**30}, "stack_total"),
        ({"control_offset": "ten"}, "control_offset"),
        ({"min_master_pin": -1}, "min_master_pin"),
        ({"depth0_in": "a third"}, "depth0_in"),
        ({"depth0_in": "1/0"}, "depth0_in"),
        ({"depth0_in": float("nan")}, "depth0_in"),
        ({"depth0_in": True}, "depth0_in"),
        ({"spacing_in": "0"}, "spacing_in"),
        ({"first_cut_in": "9" * 10_000}, "first_cut_in"),
        ({"depth0_in": "0.1", "increment_in": "0.0125"}, "increment_in"),
        ({"name": "x" * 10_000}, "name"),
        ({"name": ["x"]}, "name"),
        ({"mcas": 7}, "mcas"),
    ],
)
def test_a_bad_spec_is_refused_by_field(change, field):
    with pytest.raises(Problems) as refused:
        BittingSpec.from_json({**PLAIN, **change}, "spec")
    assert [problem.field for problem in refused.value.problems] == [f"spec.{field}"]


@pytest.mark.parametrize("given", [None, [], "spec", 5])
def test_a_spec_that_is_no_object_is_refused(given):
    with pytest.raises(Problems) as refused:
        BittingSpec.from_json(given, "spec")
    assert refused.value.field == "spec"


def test_all_that_is_wrong_with_a_spec_is_told_at_once():
    with pytest.raises(Problems) as refused:
        BittingSpec.from_json({"chambers": 2, "macs": -1, "mcas": 7, "name": 5})
    assert [problem.field for problem in refused.value.problems] == ["mcas", "chambers", "depths", "macs", "name"]


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
    assert read_inches(write_inches(inches), "depth0_in") == inches
