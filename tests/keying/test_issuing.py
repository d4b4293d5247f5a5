from collections import Counter
from dataclasses import replace
from itertools import product
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.keying import (
    BittingRules,
    BittingSpec,
    KeyingError,
    LevelArray,
    NoBittingsLeft,
    draw_control,
    draw_master,
    draw_single,
    next_bittings,
    pin,
    plan_levels,
    progress,
)
from app.keying.arrays import Spread
from app.keying.issuing import draw_bitting, draw_from
from app.keying.spec import parity_pattern
from tests.keying.oracle import every_bitting, obeys_macs, operates

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
    assert (refused.value.asked, refused.value.left) == (1, 0)


def test_the_same_chance_gives_the_same_keys():
    assert draw_single(SPEC, Random(7)) == draw_single(SPEC, Random(7))
    assert draw_master(SPEC, Random(7)) == draw_master(SPEC, Random(7))


def test_changes_come_in_sequence_and_skip_the_used():
    array = progress(SPEC, (5, 2, 8, 6, 1, 4))
    every = list(array)
    first = next_bittings(array, 10)
    assert list(first) == every[:10]
    more = next_bittings(array, 10, {*first, every[12]})
    assert list(more) == [*every[10:12], *every[13:21]]


def test_too_many_changes_are_refused_with_what_exists_and_is_left():
    spec = BittingSpec(chambers=3, depths=6, macs=3, step=2)
    exist = sum(obeys_macs(spec, b) for b in product((3, 5), (3, 5), (0, 4)))
    array = progress(spec, (1, 1, 2))
    used = set(next_bittings(array, 2))
    with pytest.raises(NoBittingsLeft) as refused:
        next_bittings(array, 50, used)
    assert (refused.value.asked, refused.value.left) == (50, exist - 2)
    assert refused.value.field == "changes"
    assert refused.value.message == (
        f"50 bittings were asked for, but only {exist - 2} are left of the {exist} within MACS in this progression."
    )


def test_nothing_wanted_is_nothing_issued():
    assert next_bittings(progress(SPEC, (5, 2, 8, 6, 1, 4)), 0) == ()


def test_columns_that_make_no_bitting_are_refused():
    with pytest.raises(NoBittingsLeft):
        draw_from(((0,), (5,)), 3, Random(1))


CORE = BittingSpec(chambers=7, depths=10, macs=9, step=2, stack_total=23, control_offset=10, min_master_pin=2)
SHALLOW = BittingSpec(chambers=6, depths=6, macs=5, step=1, stack_total=14, control_offset=6)


@settings(deadline=None, max_examples=25)
@given(st.sampled_from([CORE, SHALLOW]), st.integers(0, 10**6))
def test_every_core_can_be_pinned_for_a_drawn_control_key(spec, turn):
    rng = Random(turn)
    plan = plan_levels(spec, draw_master(spec, rng), levels=3, masters=2, changes_per_master=10)
    control = draw_control(spec, rng, plan.keys)
    assert spec.within_macs(control)
    for chain in plan.cylinders.values():
        keys = {symbol: plan.keys[symbol] for symbol in chain}
        pinning = pin(spec, keys, control)
        assert pinning.warnings == () or all("master pin" in w and "build-up" not in w for w in pinning.warnings)
        assert all(pins.buildup >= 1 and pins.top >= 1 for pins in pinning.chambers)


def test_bittings_to_avoid_are_not_drawn():
    keys = {"AA": (9,) * 7}
    tight = replace(CORE, stack_total=15, macs=1)  # control cuts 1 to 4 remain
    drawn = {draw_control(tight, Random(n), keys) for n in range(30)}
    again = {draw_control(tight, Random(n), keys, avoid=drawn) for n in range(30)}
    assert not drawn & again


def test_a_stack_without_room_names_its_chamber():
    with pytest.raises(NoBittingsLeft, match="Chamber 1 has no control cut") as refused:
        draw_control(replace(CORE, stack_total=10), Random(1), {"AA": (5,) * 7})
    assert refused.value.field == "control"


@pytest.mark.parametrize(
    ("spec", "keys", "field"),
    [
        (replace(CORE, control_offset=None), {"AA": (5,) * 7}, "spec.control_offset"),
        (replace(CORE, control_offset=9), {"AA": (5,) * 7}, "spec.control_offset"),
        (replace(CORE, stack_total=10), {}, "control"),
    ],
)
def test_what_cannot_have_a_control_key_is_refused(spec, keys, field):
    with pytest.raises(KeyingError) as refused:
        draw_control(spec, Random(1), keys)
    assert refused.value.field == field


def joints(pins):
    """Heights above the key at which a chamber's stack parts, from the pins alone."""
    heights = [pins.bottom]
    for pin_above in (*pins.masters, pins.buildup):
        heights.append(heights[-1] + pin_above)
    return heights


@settings(deadline=None, max_examples=60)
@given(st.integers(2, 4), st.integers(0, 2), st.integers(0, 2), st.integers(0, 10**6))
def test_a_core_parts_at_its_two_lines_for_its_own_keys_alone(depths, first, spare, turn):
    """The pins stacked by hand: the plug turns for the counted bittings, the core comes out for its control key."""
    spec = BittingSpec(
        chambers=3,
        depths=depths,
        first_depth=first,
        macs=depths,
        step=1,
        stack_total=2 * depths + 2 * first + spare + 6,
        control_offset=depths + spare,
    )
    rng = Random(turn)
    every = list(every_bitting(spec))
    keys = {f"K{n}": bitting for n, bitting in enumerate(rng.sample(every, 2))}
    try:
        control = draw_control(spec, rng, keys, {b for b in every if operates(b, list(keys.values()))})
    except NoBittingsLeft:  # two keys of two depths can leave nothing over
        return
    pinning = pin(spec, keys, control)
    parts = [joints(pins) for pins in pinning.chambers]
    assert all(
        pins.bottom + sum(pins.masters) + pins.buildup + pins.top == spec.stack_total for pins in pinning.chambers
    )
    turning = [key for key in every if all(cut in part for cut, part in zip(key, parts, strict=True))]
    assert len(turning) == pinning.combinations and set(keys.values()) <= set(turning)
    assert set(turning) == {key for key in every if operates(key, list(keys.values()))}
    offset = spec.control_offset
    pulling = [key for key in every if all(cut + offset in part for cut, part in zip(key, parts, strict=True))]
    assert pulling == [control] and control not in turning


RULES = BittingRules(least_depths=3, most_equal_neighbors=2, least_span=3, no_stairs=True, no_uncut=True)
RULED = replace(CORE, chambers=6, rules=replace(RULES, least_apart=3))


def test_whatever_is_drawn_obeys_the_rules_and_keeps_apart():
    for turn in range(20):
        rng = Random(turn)
        tmk = draw_master(RULED, rng)
        changes = next_bittings(Spread(progress(RULED, tmk)), 20)
        keys = {"AA": tmk} | {f"{number}AA": cuts for number, cuts in enumerate(changes, start=1)}
        single = draw_single(RULED, rng, frozenset(keys.values()))
        control = draw_control(RULED, rng, keys)
        assert all(RULED.allows(cuts) for cuts in (*keys.values(), single, control))
        for drawn in (single, control):
            assert min(sum(a != b for a, b in zip(drawn, cuts, strict=True)) for cuts in keys.values()) >= 3


def test_a_wish_to_keep_apart_gives_way_where_it_cannot_be():
    """Three chambers: with all 27 bittings of depths 0 to 2 but one in use, none is left that is apart."""
    tiny = BittingSpec(chambers=3, depths=3, macs=2, rules=BittingRules(least_apart=2))
    every = set(every_bitting(tiny))
    left = every - {(1, 0, 2)}
    assert draw_single(tiny, Random(1), frozenset(left)) == (1, 0, 2)


def test_hard_rules_are_met_where_chance_hardly_finds_a_bitting():
    spec = BittingSpec(chambers=12, depths=16, macs=3, rules=BittingRules(least_depths=12, no_stairs=True))
    drawn = {draw_bitting(spec, Random(turn)) for turn in range(5)}
    assert len(drawn) == 5 and all(spec.allows(cuts) for cuts in drawn)


def test_too_few_by_rules_names_the_rule_to_loosen_and_what_it_brings():
    """Under 112 the columns are 3 5, 3 5, 0 4. Two depths have 3 3 0, 3 3 4, 5 5 0 and 5 5 4: 4 of 8 are left."""
    spec = BittingSpec(chambers=3, depths=6, macs=5, step=2, rules=BittingRules(least_depths=3))
    with pytest.raises(NoBittingsLeft) as refused:
        next_bittings(progress(spec, (1, 1, 2)), 5)
    assert refused.value.message == (
        "5 bittings were asked for, but only 4 are left of the 4 within MACS and rules in this progression. "
        "Without the rule “at least 3 different depths” there would be 4 more."
    )
    stairs = BittingSpec(chambers=3, depths=3, macs=1, rules=BittingRules(least_depths=3, no_stairs=True))
    with pytest.raises(NoBittingsLeft, match="rules leave none") as refused:
        draw_bitting(stairs, Random(1))
    # One up and one down are all that have three depths; of all 17 within MACS, 15 are no stairs.
    assert refused.value.field == "rules"
    assert refused.value.message.endswith(
        "Without the rule “at least 3 different depths” there would be 15 more, without “no plain stairs” 2."
    )


def test_changes_under_two_masters_are_no_twins_while_others_are_left():
    """Three depths in two chambers make nine sets of cuts for the changes under each master."""
    spec = BittingSpec(chambers=4, depths=4, macs=3)
    top, roles = (0, 0, 0, 0), "CCMM"
    under = {cuts: LevelArray(top, roles).under(spec, "C", (0, 0, *cuts)) for cuts in ((1, 2), (2, 1))}
    first = next_bittings(under[1, 2], 4)
    other = next_bittings(under[2, 1], 5, beside=first)
    assert {cuts[:2] for cuts in first}.isdisjoint(cuts[:2] for cuts in other)
    every = next_bittings(under[2, 1], 9, beside=first)
    assert len(set(every)) == 9 and {cuts[:2] for cuts in every[5:]} == {cuts[:2] for cuts in first}
