import json
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.errors import BitternError
from app.fitting import CYLINDER_TYPES, CylinderAttributes, differences, face_change, from_json, to_json, words

NAMES = st.none() | st.sampled_from(["AQ1", "standard", "626", "long flat"])
ATTRIBUTES = st.builds(
    CylinderAttributes,
    type=st.sampled_from(list(CYLINDER_TYPES)),
    length=st.none() | st.fractions(0, 4, max_denominator=128),
    chambers=st.none() | st.integers(1, 6),
    drilled=st.none() | st.integers(6, 12),
    keyway=NAMES,
    cam=NAMES,
    tailpiece=NAMES,
    finish=NAMES,
    maker=st.sampled_from(["", "Ardent Brass"]),
    keying=NAMES,
)


def test_words_are_what_the_counter_reads_out() -> None:
    full = CylinderAttributes("mortise", Fraction(9, 8), 6, 6, "AQ1", "standard", None, "626", "Ardent Brass")
    assert words(full) == "mortise cylinder 1-1/8 in, six pin, keyway AQ1, standard cam, 626 satin chromium"
    assert words(CylinderAttributes("sfic", chambers=7, finish="X9", keying="uncombinated")) == (
        "small-format interchangeable core, seven pin, X9, uncombinated"
    )
    assert words(CylinderAttributes("rim", chambers=5, drilled=6)) == "rim cylinder, five pin drilled six"


@settings(deadline=None)
@given(ATTRIBUTES)
def test_json_and_back(attributes: CylinderAttributes) -> None:
    assert from_json(json.loads(json.dumps(to_json(attributes)))) == attributes


@pytest.mark.parametrize(
    ("given_", "field"),
    [
        (None, "attributes"),
        ([], "attributes"),
        ({}, "type"),
        ({"type": "hinge"}, "type"),
        ({"type": ["rim"]}, "type"),
        ({"type": "rim", "length": True}, "length"),
        ({"type": "rim", "chambers": 10**30}, "chambers"),
        ({"type": "rim", "chambers": True}, "chambers"),
        ({"type": "rim", "chambers": 6.5}, "chambers"),
        ({"type": "rim", "chambers": 6, "drilled": 5}, "drilled"),
        ({"type": "rim", "keyway": "K" * 10_000}, "keyway"),
        ({"type": "rim", "finish": [1]}, "finish"),
        ({"type": "rim", "color": "red"}, "attributes.color"),
    ],
)
def test_wrong_json_names_the_attribute(given_: object, field: str) -> None:
    with pytest.raises(BitternError) as refusal:
        from_json(given_)
    assert refusal.value.field == field


def test_differences_say_both_values_and_skip_what_was_not_asked() -> None:
    asked = CylinderAttributes("rim", Fraction(5, 4), keyway="AQ1")
    offered = CylinderAttributes("rim", Fraction(9, 8), 5, finish="626")
    assert differences(asked, offered) == ("length 1-1/8 instead of 1-1/4", "keyway not said instead of AQ1")


OLD = CylinderAttributes("mortise", finish="626", maker="Ardent Brass")


def test_the_same_face_asks_nothing() -> None:
    assert face_change(OLD, CylinderAttributes("mortise", finish="626", maker="ARDENT BRASS")).question == ""


def test_another_maker_or_finish_is_asked_about() -> None:
    change = face_change(OLD, CylinderAttributes("mortise", finish="605", maker="Pell & Rowe"))
    assert len(change.changes) == 2
    assert "Ask first" in change.question


def test_a_look_alike_on_another_base_is_said() -> None:
    change = face_change(OLD, CylinderAttributes("mortise", finish="652", maker="Ardent Brass"))
    assert any("base metal differs" in each for each in change.changes)


def test_an_old_cylinder_of_unknown_make_is_asked_about() -> None:
    assert face_change(CylinderAttributes("rim"), CylinderAttributes("rim", maker="Northlight")).question


def test_numbers_are_said_in_words_up_to_ten() -> None:
    said = [words(CylinderAttributes("rim", chambers=chambers)) for chambers in (10, 11, 12)]
    assert said == ["rim cylinder, ten pin", "rim cylinder, 11 pin", "rim cylinder, 12 pin"]


def test_a_finish_that_is_not_said_changes_no_face() -> None:
    plain, chromium = CylinderAttributes("rim"), CylinderAttributes("rim", finish="626")
    assert face_change(chromium, plain).changes == face_change(plain, chromium).changes == ()
