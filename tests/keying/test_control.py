from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from oracle import every_bitting, operates

from app.keying import BittingSpec, KeyingError, NoBittingsLeft, draw_control, draw_master, pin, plan_levels

CORE = BittingSpec(chambers=7, depths=10, macs=9, step=2, stack_total=23, control_offset=10, min_master_pin=2)
SHALLOW = BittingSpec(chambers=6, depths=6, macs=5, step=1, stack_total=14, control_offset=6)


@settings(deadline=None, max_examples=25)
@given(st.sampled_from([CORE, SHALLOW]), st.integers(0, 10**6))
def test_every_core_can_be_pinned_for_a_drawn_control_key(spec, turn):
    rng = Random(turn)
    plan = plan_levels(spec, draw_master(spec, rng), levels=3, masters=2, changes_per_master=10)
    control = draw_control(spec, rng, plan.keys, plan.cylinders)
    assert spec.within_macs(control)
    for chain in plan.cylinders.values():
        keys = {symbol: plan.keys[symbol] for symbol in chain}
        pinning = pin(spec, keys, control)
        assert pinning.warnings == () or all("master pin" in w and "build-up" not in w for w in pinning.warnings)
        assert all(pins.buildup >= 1 and pins.top >= 1 for pins in pinning.chambers)
        assert not operates(control, list(keys.values()))


def test_bittings_to_avoid_are_not_drawn():
    keys, cylinders = {"AA": (9,) * 7}, {"AA": ["AA"]}
    tight = replace(CORE, stack_total=15, macs=1)  # control cuts 1 to 4 remain
    drawn = {draw_control(tight, Random(n), keys, cylinders) for n in range(30)}
    again = {draw_control(tight, Random(n), keys, cylinders, avoid=drawn) for n in range(30)}
    assert not drawn & again


def test_a_stack_without_room_names_its_chamber():
    with pytest.raises(NoBittingsLeft, match="Chamber 1 has no control cut") as refused:
        draw_control(replace(CORE, stack_total=10), Random(1), {"AA": (5,) * 7}, {"AA": ["AA"]})
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
        draw_control(spec, Random(1), keys, {})
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
        control = draw_control(spec, rng, keys, {"lock": list(keys)})
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
