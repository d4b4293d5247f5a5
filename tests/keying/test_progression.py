from itertools import islice, product

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from app.keying import BittingSpec, KeyingError, progress
from app.keying.issuing import usable_bittings
from tests.keying.oracle import bittings_of, every_bitting, obeys_macs, small_specs

SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2)
TMK = (5, 2, 8, 6, 1, 4)


def plain_progression(spec, tmk, columns, order):
    """The sequence written out: an odometer whose fastest wheel is the first of `order`."""
    wheels = [columns[chamber - 1] for chamber in reversed(order)]
    listed = []
    for turn in product(*wheels):
        bitting = list(tmk)
        for chamber, depth in zip(reversed(order), turn, strict=True):
            bitting[chamber - 1] = depth
        if obeys_macs(spec, bitting):
            listed.append(tuple(bitting))
    return listed


@st.composite
def arrays(draw):
    spec = draw(small_specs(most_chambers=5))
    tmk = draw(bittings_of(spec))
    assume(spec.within_macs(tmk))
    columns = []
    for cut in tmk:
        allowed = [d for d in spec.all_depths if d != cut and (d - cut) % spec.step == 0]
        columns.append(tuple(draw(st.permutations(allowed)))[: draw(st.integers(0, 3))])
    assume(any(columns))
    progressed = [chamber for chamber, column in enumerate(columns, 1) if column]
    return spec, tmk, columns, tuple(draw(st.permutations(progressed)))


@given(arrays())
def test_a_progression_runs_and_counts_as_the_odometer_does(given_array):
    spec, tmk, columns, order = given_array
    found = progress(spec, tmk, columns, order)
    plain = plain_progression(spec, tmk, columns, order)
    assert list(found) == plain
    assert found.usable == len(plain)
    members = {bitting for bitting in every_bitting(spec) if bitting in found} if spec.chambers < 5 else set(plain)
    assert members == set(plain)


def test_without_an_array_chambers_progress_through_the_masters_parity():
    found = progress(SPEC, TMK)
    assert found.columns == ((1, 3, 7, 9), (0, 4, 6, 8), (0, 2, 4, 6), (0, 2, 4, 8), (3, 5, 7, 9), (0, 2, 6, 8))
    assert found.theoretical == 4096
    assert list(found) == plain_progression(SPEC, TMK, found.columns, (1, 2, 3, 4, 5, 6))


def test_a_change_shares_no_cut_with_the_master_and_none_comes_twice():
    listed = list(progress(SPEC, TMK))
    assert len(set(listed)) == len(listed) == progress(SPEC, TMK).usable
    assert not any(a == b for bitting in listed for a, b in zip(bitting, TMK, strict=True))


def test_one_step_uses_every_other_depth():
    spec = BittingSpec(chambers=6, depths=6, macs=4, step=1, first_depth=1)
    assert progress(spec, (1, 2, 3, 4, 5, 6)).columns[0] == (2, 3, 4, 5, 6)


def test_held_chambers_keep_the_masters_cut():
    for bitting in progress(SPEC, TMK, held=[2, 5]):
        assert bitting[1] == 2
        assert bitting[4] == 1


def test_bittings_are_made_lazily():
    spec = BittingSpec(chambers=12, depths=16, macs=3, step=1)
    listed = list(islice(progress(spec, (8,) * 12), 1000))
    assert len(set(listed)) == 1000
    assert all(spec.within_macs(bitting) for bitting in listed)


@given(small_specs())
def test_usable_bittings_are_those_of_plain_enumeration(spec):
    assert list(usable_bittings(spec)) == [b for b in every_bitting(spec) if obeys_macs(spec, b)]


FULL = [(1, 3), (4,), (0,), (2,), (3,), (6,)]


@pytest.mark.parametrize(
    ("changes", "field", "words"),
    [
        ({"tmk": (0, 8, 8, 6, 1, 4)}, "tmk", "chambers 1 and 2"),
        ({"tmk": (5, 2, 8)}, "tmk", "does not fit"),
        ({"columns": FULL[:5]}, "array", "5 columns"),
        ({"columns": [(1, 5), *FULL[1:]]}, "array", "Chamber 1: the master's own depth"),
        ({"columns": [(1, 1), *FULL[1:]]}, "array", "twice"),
        ({"columns": [(1, 4), *FULL[1:]]}, "array", "parity"),
        ({"columns": [(4,), *FULL[1:]]}, "array", "parity"),
        ({"columns": [(11,), *FULL[1:]]}, "array", "Chamber 1: a depth"),
        ({"columns": [()] * 6}, "array", "No chamber progresses"),
        ({"held": [7]}, "held", "from 1 to 6"),
        ({"order": [1, 2, 3, 4, 5, 5]}, "order", "twice"),
        ({"order": [1, 2, 3, 4, 5]}, "order", "leaves out progressed chamber 6"),
        ({"order": [0, 1, 2, 3, 4, 5]}, "order", "from 1 to 6"),
        ({"order": [1, 2, 3, 4, 5, True]}, "order", "from 1 to 6"),
        ({"order": [1, 2, 3, 4, 5, "6"]}, "order", "from 1 to 6"),
    ],
)
def test_what_cannot_progress_is_refused_by_field(changes, field, words):
    given_values = {"tmk": TMK, "columns": None, "order": None, "held": ()} | changes
    with pytest.raises(KeyingError, match=words) as refused:
        progress(SPEC, given_values["tmk"], given_values["columns"], given_values["order"], given_values["held"])
    assert refused.value.field == field


def test_a_progression_does_not_show_its_bittings():
    assert "5, 2, 8" not in repr(progress(SPEC, TMK))
