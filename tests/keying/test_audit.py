from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from oracle import bittings_of, every_bitting, operates, small_specs

from app.keying import KeyingError, audit


@st.composite
def systems(draw):
    spec = draw(small_specs(most_depths=4))
    bittings = draw(st.lists(bittings_of(spec), min_size=1, max_size=8))
    keys = {f"K{n}": bitting for n, bitting in enumerate(bittings)}
    lists = draw(st.lists(st.lists(st.sampled_from(sorted(keys)), min_size=1, max_size=4), max_size=5))
    return spec, keys, {f"C{n}": meant for n, meant in enumerate(lists)}


@given(systems())
def test_the_audit_agrees_with_plain_enumeration(system):
    spec, keys, cylinders = system
    found = audit(keys, cylinders)
    assert found.unintended == tuple(
        (cylinder, key)
        for cylinder, meant in cylinders.items()
        for key, bitting in keys.items()
        if key not in meant and operates(bitting, [keys[k] for k in meant])
    )
    assert found.missing == ()
    for cylinder, meant in cylinders.items():
        opening = {b for b in every_bitting(spec) if operates(b, [keys[k] for k in meant])}
        assert found.phantoms[cylinder] == len(opening - set(keys.values()))


def test_a_cylinder_pinned_otherwise_shows_its_missing_keys():
    keys = {"AA": (1, 1, 1), "1AA": (3, 3, 3)}
    found = audit(keys, {"1AA": ["AA", "1AA"]}, pinned={"1AA": ((3,), (1, 3), (3,))})
    assert found.missing == (("1AA", "AA"),)
    assert found.phantoms == {"1AA": 1}
    assert not found.clean


def test_two_keysets_cut_alike_are_found():
    keys = {"AA": (1, 1, 1), "1AA": (3, 3, 3), "2AA": (3, 3, 3)}
    found = audit(keys, {"1AA": ["AA", "1AA"], "2AA": ["AA", "2AA"]})
    assert found.unintended == (("1AA", "2AA"), ("2AA", "1AA"))


@pytest.mark.parametrize(
    ("keys", "cylinders", "field"),
    [
        ({"AA": (1, 1, 1)}, {"1AA": ["AB"]}, "cylinders.1AA"),
        ({"AA": (1, 1, 1)}, {"1AA": []}, "cylinders.1AA"),
        ({"AA": (1, 1, 1), "AB": (1, 1)}, {"1AA": ["AA"]}, "keys"),
    ],
)
def test_a_system_that_does_not_hang_together_is_refused(keys, cylinders, field):
    with pytest.raises(KeyingError) as refused:
        audit(keys, cylinders)
    assert refused.value.field == field
