from itertools import islice

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from app.keying import (
    BittingSpec,
    KeyingError,
    find_masters,
    find_rotating_masters,
    progress,
    rotate,
)
from tests.keying.oracle import bittings_of, every_bitting, obeys_macs, small_specs

WIDE = BittingSpec(chambers=6, depths=10, macs=9, step=2)


@st.composite
def change_lists(draw):
    spec = draw(small_specs(most_chambers=3, most_depths=5))
    return spec, draw(st.lists(bittings_of(spec), min_size=1, max_size=5))


@given(change_lists())
def test_masters_agree_with_trying_every_bitting(given_list):
    spec, changes = given_list

    def explains(tmk):
        for chamber, cut in enumerate(tmk):
            seen = {change[chamber] for change in changes}
            held = seen == {cut} and len(changes) > 1
            progressed = cut not in seen and all((cut - other) % spec.step == 0 for other in seen)
            if not held and not progressed:
                return False
        return obeys_macs(spec, tmk)

    found = find_masters(spec, changes)
    assert sorted(found.candidates) == [tmk for tmk in every_bitting(spec) if explains(tmk)]
    assert found.count == len(found.candidates)
    assert found.complete


@settings(deadline=None)
@given(change_lists(), st.data())
def test_rotating_masters_agree_with_trying_every_bitting(given_list, data):
    spec, changes = given_list
    constants = data.draw(st.integers(1, spec.chambers - 1))
    found = find_rotating_masters(spec, changes, constants)
    assert sorted(found.candidates) == [
        tmk
        for tmk in every_bitting(spec)
        if obeys_macs(spec, tmk)
        and all(sum(a == b for a, b in zip(tmk, change, strict=True)) == constants for change in changes)
        and all((a - b) % spec.step == 0 for change in changes for a, b in zip(tmk, change, strict=True))
    ]


@given(st.tuples(*[st.integers(0, 9)] * 6), st.integers(1, 60))
def test_the_true_master_is_always_among_the_candidates(tmk, wanted):
    changes = list(islice(progress(WIDE, tmk), 0, wanted * 7, 7))
    assume(changes)
    found = find_masters(WIDE, changes)
    assert found.count >= 1
    assert not found.complete or tmk in found.candidates
    assert all(cut in column for cut, column in zip(tmk, found.choices, strict=True))


def test_a_whole_list_leaves_one_master():
    tmk = (5, 2, 8, 6, 1, 4)
    found = find_masters(WIDE, list(progress(WIDE, tmk)))
    assert found.candidates == (tmk,)
    assert found.sentence.startswith("One master alone fits")


def test_a_rotated_list_leaves_its_master():
    tmk = (5, 2, 8, 6, 1, 4)
    assert find_rotating_masters(WIDE, list(rotate(WIDE, tmk, 4)), 4).candidates == (tmk,)


def test_several_and_none_are_said_plainly():
    many = find_masters(WIDE, [(1, 1, 1, 1, 1, 1)])
    assert many.count == 4**6
    assert not many.complete
    assert len(many.candidates) == 1000
    assert "the list does not tell which" in many.sentence
    mixed = find_masters(WIDE, [(1, 1, 1, 1, 1, 1), (2, 1, 1, 1, 1, 1)])
    assert (mixed.count, mixed.candidates) == (0, ())
    assert mixed.sentence.startswith("No master fits")


def test_candidates_are_not_shown():
    assert "5, 2, 8" not in repr(find_masters(WIDE, list(progress(WIDE, (5, 2, 8, 6, 1, 4)))))


@pytest.mark.parametrize("changes", [[], [(1, 1)], [(11, 1, 1, 1, 1, 1)]])
def test_a_list_that_cannot_be_is_refused(changes):
    with pytest.raises(KeyingError) as refused:
        find_masters(WIDE, changes)
    assert refused.value.field == "changes"
