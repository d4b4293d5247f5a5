from __future__ import annotations

from itertools import combinations, islice
from math import comb

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from oracle import bittings_of, every_bitting, obeys_macs, small_specs

from app.keying import BittingSpec, KeyingError, audit, rotate

SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2)
TMK = (5, 2, 8, 6, 1, 4)


@st.composite
def rotations(draw):
    spec = draw(small_specs(most_depths=5))
    assume(spec.depths > spec.step)
    tmk = draw(bittings_of(spec))
    assume(spec.within_macs(tmk))
    assume(all(any(d != cut and (d - cut) % spec.step == 0 for d in spec.all_depths) for cut in tmk))
    return spec, tmk, draw(st.integers(1, spec.chambers - 1))


@given(rotations())
def test_rotation_lists_every_bitting_with_that_many_constants(rotation):
    spec, tmk, constants = rotation
    found = rotate(spec, tmk, constants)
    plain = {
        bitting
        for bitting in every_bitting(spec)
        if obeys_macs(spec, bitting)
        and sum(a == b for a, b in zip(bitting, tmk, strict=True)) == constants
        and all((a - b) % spec.step == 0 for a, b in zip(bitting, tmk, strict=True))
    }
    listed = list(found)
    assert len(listed) == len(set(listed)) == found.usable
    assert set(listed) == plain
    assert {bitting for bitting in every_bitting(spec) if bitting in found} == plain


@given(rotations())
def test_no_change_operates_anothers_cylinder(rotation):
    spec, tmk, constants = rotation
    keys = {"AA": tmk} | {f"{n}AA": b for n, b in enumerate(islice(rotate(spec, tmk, constants), 200), 1)}
    assert audit(keys, {symbol: ("AA", symbol) for symbol in keys if symbol != "AA"}).clean


def test_places_move_on_in_order():
    found = rotate(SPEC, TMK, 4)
    assert found.places == tuple(combinations(range(1, 7), 4))
    assert found.theoretical == comb(6, 4) * 4**2


def test_given_places_are_kept():
    found = rotate(SPEC, TMK, 2, places=[(5, 6), (1, 2)])
    assert found.places == ((5, 6), (1, 2))
    assert next(iter(found))[4:] == (1, 4)


@pytest.mark.parametrize(
    ("constants", "places", "field"),
    [
        (0, None, "constants"),
        (6, None, "constants"),
        (True, None, "constants"),
        (10**30, None, "constants"),
        (2, [], "places"),
        (2, [(1,)], "places"),
        (2, [(1, 1)], "places"),
        (2, [(1, 7)], "places"),
        (2, [(1, 2), (2, 1)], "places"),
    ],
)
def test_places_that_cannot_be_are_refused(constants, places, field):
    with pytest.raises(KeyingError) as refused:
        rotate(SPEC, TMK, constants, places)
    assert refused.value.field == field


def test_a_chamber_without_another_depth_cannot_rotate():
    spec = BittingSpec(chambers=3, depths=2, macs=2, step=2)
    with pytest.raises(KeyingError):
        rotate(spec, (0, 1, 0), 1)


def test_one_chamber_without_another_depth_cannot_rotate():
    spec = BittingSpec(chambers=3, depths=3, macs=2, step=2)  # depth 1 is the only odd one
    with pytest.raises(KeyingError, match="no other depth of the master's parity") as refused:
        rotate(spec, (0, 1, 0), 1)
    assert refused.value.field == "places"
    assert rotate(spec, (0, 1, 0), 1, places=[(2,)]).theoretical == 1
