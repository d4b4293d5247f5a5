from __future__ import annotations

from collections import Counter
from itertools import product
from random import Random

import pytest
from oracle import every_bitting, obeys_macs

from app.keying import (
    BittingSpec,
    NoBittingsLeft,
    draw_bitting,
    draw_master,
    draw_single,
    issue_changes,
    parity_pattern,
    progress,
)
from app.keying.issuing import draw_from

SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2)
SMALL = BittingSpec(chambers=3, depths=4, macs=1, step=2)


def test_a_drawn_bitting_is_any_usable_one_with_the_same_chance():
    rng = Random(4)
    usable = [b for b in every_bitting(SMALL) if obeys_macs(SMALL, b)]
    drawn = Counter(draw_bitting(SMALL, rng) for _ in range(200 * len(usable)))
    assert set(drawn) == set(usable)
    assert max(drawn.values()) < 2 * min(drawn.values())


def test_a_drawn_master_obeys_macs_and_leaves_room():
    for turn in range(30):
        tmk = draw_master(SPEC, Random(turn))
        assert SPEC.within_macs(tmk)
        assert progress(SPEC, tmk).usable > 2500


def test_a_new_master_shares_no_parity_pattern_with_old_bittings():
    old = set(list(progress(SPEC, (5, 2, 8, 6, 1, 4)))[:500]) | {(1, 1, 1, 1, 1, 1)}
    for turn in range(20):
        tmk = draw_master(SPEC, Random(turn), old)
        assert tmk not in old
        assert parity_pattern(tmk) not in {parity_pattern(b) for b in old}


def test_singles_are_drawn_until_the_last_one_and_then_refused():
    rng = Random(2)
    usable = {b for b in every_bitting(SMALL) if obeys_macs(SMALL, b)}
    taken: set[tuple[int, ...]] = set()
    for _ in range(len(usable)):
        taken.add(draw_single(SMALL, rng, frozenset(taken)))
    assert taken == usable
    with pytest.raises(NoBittingsLeft, match=f"none of the {len(usable)} bittings") as refused:
        draw_single(SMALL, rng, frozenset(taken))
    assert (refused.value.asked, refused.value.exist, refused.value.left) == (1, len(usable), 0)


def test_the_same_chance_gives_the_same_keys():
    assert draw_single(SPEC, Random(7)) == draw_single(SPEC, Random(7))
    assert draw_master(SPEC, Random(7)) == draw_master(SPEC, Random(7))


def test_changes_come_in_sequence_and_skip_the_used():
    every = list(progress(SPEC, (5, 2, 8, 6, 1, 4)))
    first = issue_changes(SPEC, (5, 2, 8, 6, 1, 4), wanted=10)
    assert list(first) == every[:10]
    more = issue_changes(SPEC, (5, 2, 8, 6, 1, 4), wanted=10, used={*first, every[12]})
    assert list(more) == [*every[10:12], *every[13:21]]


def test_too_many_changes_are_refused_with_what_exists_and_is_left():
    spec = BittingSpec(chambers=3, depths=6, macs=3, step=2)
    tmk = (1, 1, 2)
    exist = sum(obeys_macs(spec, b) for b in product((3, 5), (3, 5), (0, 4)))
    used = set(issue_changes(spec, tmk, wanted=2))
    with pytest.raises(NoBittingsLeft) as refused:
        issue_changes(spec, tmk, wanted=50, used=used)
    assert (refused.value.asked, refused.value.exist, refused.value.left) == (50, exist, exist - 2)
    assert refused.value.field == "changes"
    assert refused.value.message == (
        f"50 bittings were asked for, but only {exist - 2} are left of the {exist} within MACS in this progression."
    )


def test_nothing_wanted_is_nothing_issued():
    assert issue_changes(SPEC, (5, 2, 8, 6, 1, 4), wanted=0) == ()


def test_a_single_operates_no_master_keyed_cylinder():
    rng = Random(5)
    shear = ((0, 1, 2), (0, 1, 2), (0, 1, 3))
    usable = {b for b in every_bitting(SMALL) if obeys_macs(SMALL, b)}
    clear = {b for b in usable if not all(cut in depths for cut, depths in zip(b, shear, strict=True))}
    taken: set[tuple[int, ...]] = set()
    for _ in range(len(clear)):
        taken.add(draw_single(SMALL, rng, frozenset(taken), [shear]))
    assert taken == clear
    with pytest.raises(NoBittingsLeft):
        draw_single(SMALL, rng, frozenset(taken), [shear])


def test_columns_that_make_no_bitting_are_refused():
    with pytest.raises(NoBittingsLeft):
        draw_from(((0,), (5,)), 3, Random(1))
