from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from oracle import bittings_of, every_bitting, operates, small_specs

from app.keying import BittingSpec, ChamberPins, KeyingError, pin

CORE = BittingSpec(chambers=6, depths=10, macs=9, step=2, stack_total=23, control_offset=10, min_master_pin=2)


@st.composite
def locks(draw):
    spec = draw(small_specs())
    return spec, draw(st.lists(bittings_of(spec), min_size=1, max_size=4))


@given(locks())
def test_pins_shear_for_exactly_the_intended_and_the_counted_phantoms(lock):
    spec, bittings = lock
    found = pin(spec, {f"K{n}": bitting for n, bitting in enumerate(bittings)})
    heights = []  # where each chamber's pins part, reckoned up from the pins themselves
    for pins in found.chambers:
        height, parts = pins.bottom, [pins.bottom]
        for size in pins.masters:
            height += size
            parts.append(height)
        heights.append(parts)
    opening = [b for b in every_bitting(spec) if all(c in parts for c, parts in zip(b, heights, strict=True))]
    assert opening == [b for b in every_bitting(spec) if operates(b, bittings)]
    assert found.combinations == len(opening)
    assert found.intended == len(set(bittings))
    assert found.phantom == len(opening) - len(set(bittings))


@given(st.tuples(*[st.integers(0, 9)] * 6), st.tuples(*[st.integers(0, 9)] * 6), st.tuples(*[st.integers(0, 9)] * 6))
def test_a_core_balances_in_every_chamber(tmk, change, control):
    found = pin(CORE, {"TMK": tmk, "AA1": change}, control)
    for pins, cut in zip(found.chambers, control, strict=True):
        line = pins.bottom + sum(pins.masters) + pins.buildup
        assert line == cut + 10
        assert line + pins.top == 23


def test_a_conventional_stack_balances_to_its_total():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=2, stack_total=14)
    found = pin(spec, {"TMK": (5, 2, 8), "AA1": (3, 2, 0)})
    assert found.chambers == (
        ChamberPins(3, (2,), None, 9),
        ChamberPins(2, (), None, 12),
        ChamberPins(0, (8,), None, 6),
    )
    assert (found.combinations, found.intended, found.phantom) == (4, 2, 2)
    assert found.warnings == ()


def test_pins_that_cannot_be_are_warned_of_by_chamber():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=1, stack_total=9, control_offset=2, min_master_pin=2)
    found = pin(spec, {"TMK": (5, 2, 8), "AA1": (4, 2, 8)}, (4, 0, 9))
    assert found.warnings == (
        "Chamber 1: master pin 1 is under the least master pin 2.",
        "Chamber 1: build-up pin 1 is under the least master pin 2.",
        "Chamber 2: build-up pin 0 is under the least master pin 2.",
        "Chamber 3: the top pin would be below zero: the stack is higher than the stack total.",
    )
    below = pin(spec, {"TMK": (5, 2, 8)}, (4, 0, 0)).warnings
    assert any(warning.startswith("Chamber 3: the build-up pin would be below zero") for warning in below)


def test_a_stack_that_fills_its_total_is_warned_of():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=1, stack_total=8)
    assert pin(spec, {"AA": (5, 2, 8)}).warnings == (
        "Chamber 3: there is no room for a top pin: the stack fills the stack total.",
    )


def test_a_control_key_needs_its_offset():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=1)
    with pytest.raises(KeyingError) as refused:
        pin(spec, {"AA": (1, 1, 1)}, (2, 2, 2))
    assert refused.value.field == "spec.control_offset"


def test_a_cylinder_needs_a_key():
    with pytest.raises(KeyingError) as refused:
        pin(CORE, {})
    assert refused.value.field == "keys"


def test_a_pin_as_thin_as_the_least_is_no_warning():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=2, control_offset=2, min_master_pin=2)
    found = pin(spec, {"AA": (1, 1, 1), "1AA": (3, 1, 1)}, (3, 1, 1))
    assert found.chambers[0].masters == (2,)
    assert found.chambers[0].buildup == found.chambers[1].buildup == 2
    assert found.warnings == ()
