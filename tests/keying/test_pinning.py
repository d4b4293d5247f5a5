from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.keying import BittingSpec, ChamberPins, KeyingError, PinSize, in_place_of, pick_list, pin, plan_levels
from tests.keying.oracle import bittings_of, every_bitting, operates, small_specs

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


SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2, stack_total=23, control_offset=10)


def test_the_pick_list_adds_up_every_pin_of_every_cylinder():
    plan = plan_levels(SPEC, (5, 2, 8, 6, 1, 4), levels=3, masters=2, changes_per_master=8)
    pinnings = [
        pin(SPEC, {symbol: plan.keys[symbol] for symbol in chain}, (9, 6, 0, 4, 7, 8))
        for chain in plan.cylinders.values()
    ]
    plain: Counter = Counter()
    for pinning in pinnings:
        for pins in pinning.chambers:
            plain["bottom", pins.bottom] += 2
            plain.update({("master", size): 0 for size in pins.masters})
            for size in pins.masters:
                plain["master", size] += 2
            if pins.buildup > 0:
                plain["build-up", pins.buildup] += 2
            if pins.top > 0:
                plain["top", pins.top] += 2
    found = pick_list((pinning, 2) for pinning in pinnings)
    assert dict(found.pins) == plain
    assert found.total == sum(plain.values())
    kinds = [size.kind for size, _ in found.pins]
    assert kinds == sorted(kinds, key=["bottom", "master", "build-up", "top"].index)


def test_a_stack_without_a_total_counts_tops_without_size():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=2)
    found = pick_list([(pin(spec, {"AA": (1, 1, 2)}), 3)])
    assert found.pins == ((PinSize("bottom", 1), 6), (PinSize("bottom", 2), 3), (PinSize("top", None), 9))


def test_stock_is_drawn_down_or_told_short():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=2)
    found = pick_list([(pin(spec, {"AA": (1, 1, 2)}), 3)])
    stock = {PinSize("bottom", 1): 6, PinSize("bottom", 2): 10, PinSize("top", None): 100, PinSize("master", 2): 4}
    assert found.short(stock) == ()
    assert found.drawn_down(stock) == {
        PinSize("bottom", 1): 0,
        PinSize("bottom", 2): 7,
        PinSize("top", None): 91,
        PinSize("master", 2): 4,
    }
    scarce = {**stock, PinSize("bottom", 1): 4}
    del scarce[PinSize("top", None)]
    assert found.short(scarce) == ((PinSize("bottom", 1), 2), (PinSize("top", None), 9))
    with pytest.raises(KeyingError, match="2 × bottom 1, 9 × top") as refused:
        found.drawn_down(scarce)
    assert refused.value.field == "stock"


def test_a_core_without_a_control_key_is_pinned_as_a_plain_cylinder():
    found = pin(SPEC, {"AA": (5, 2, 8, 6, 1, 4)})
    assert found.chambers[2] == ChamberPins(8, (), None, 23 - 8)


@pytest.mark.parametrize("bittings", [[(1, 1)], [(1, 1, 1), (1, 1)], [(1, 1, 1, 1)]])
def test_keys_of_another_length_are_refused(bittings):
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=1, control_offset=10)
    with pytest.raises(KeyingError) as refused:
        pin(spec, {f"K{n}": bitting for n, bitting in enumerate(bittings)})
    assert (refused.value.field, refused.value.message) == ("keys", "Every key needs 3 cuts.")
    with pytest.raises(KeyingError, match="Every key needs 3 cuts"):
        pin(spec, {"AA": (1, 1, 1)}, bittings[-1])


def test_without_a_least_pin_every_height_from_zero_will_do():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=1, control_offset=2)
    assert pin(spec, {"AA": (2, 2, 2), "1AA": (3, 2, 2)}, (1, 0, 0)).warnings == ()


def test_pins_of_no_height_are_not_picked_and_those_of_one_increment_are():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=1, stack_total=12, control_offset=10)
    found = pick_list(
        [(pin(spec, {"AA": (2, 2, 2)}, (0, 1, 2)), 1)]
    )  # line 10, 11, 12; build-up 8, 9, 10; top 2, 1, 0
    assert dict(found.pins)[PinSize("top", 1)] == 1 and PinSize("top", 0) not in dict(found.pins)
    low = BittingSpec(chambers=3, depths=10, macs=9, step=1, control_offset=2)
    found = pick_list([(pin(low, {"AA": (2, 3, 4)}, (0, 2, 4)), 1)])  # build-up 0, 1, 2
    assert [size for size, _ in found.pins if size.kind == "build-up"] == [
        PinSize("build-up", 1),
        PinSize("build-up", 2),
    ]


def test_pins_of_a_kind_stand_by_size_those_of_unknown_size_first():
    total = BittingSpec(chambers=3, depths=10, macs=9, step=1, stack_total=10)
    plain = BittingSpec(chambers=3, depths=10, macs=9, step=1)
    found = pick_list([(pin(total, {"AA": (2, 10 - 1, 0)}), 1), (pin(plain, {"AA": (11 - 2, 2, 0)}), 1)])
    assert [size.size for size, _ in found.pins if size.kind == "top"] == [None, 1, 8, 10]
    assert [size.size for size, _ in found.pins if size.kind == "bottom"] == [0, 2, 9]


def test_a_size_that_the_shelf_never_had_is_short():
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=1, stack_total=12)
    found = pick_list([(pin(spec, {"AA": (1, 2, 3)}), 1)])
    stock = {PinSize("bottom", depth): 1 for depth in (1, 2)} | {PinSize("top", 12 - depth): 1 for depth in (1, 2, 3)}
    assert found.short(stock) == ((PinSize("bottom", 3), 1),)
    with pytest.raises(KeyingError) as refused:
        found.drawn_down({**stock, PinSize("bottom", 3): 0, PinSize("top", 9): 0})
    assert refused.value.message == "The stock lacks 1 × bottom 3, 1 × top 9. Order these or correct the count."
    sizeless = pick_list([(pin(replace(spec, stack_total=None), {"AA": (1, 1, 1)}), 1)])
    with pytest.raises(KeyingError, match=r"The stock lacks 3 × bottom 1, 3 × top\. Order"):
        sizeless.drawn_down({})


PLAIN = BittingSpec(chambers=6, depths=10, macs=9, step=2, stack_total=18, min_master_pin=2)
FULL = {PinSize(kind, size): 50 for kind in ("bottom", "master", "build-up", "top") for size in range(1, 18)}


def _lines(core: BittingSpec, cuts: set[int], control: int | None, stack: list[int]) -> tuple[set[int], set[int]]:
    """The cuts that turn a chamber and those that take a core out, added up from its pins one by one."""
    joints, height = set(), 0
    for size in stack[:-1]:
        height += size
        joints.add(height)
    offset = core.control_offset
    depths = set(core.all_depths)
    return joints & depths, {one - offset for one in joints} & depths if offset is not None else set()


@pytest.mark.parametrize("spec", [PLAIN, CORE])
def test_what_stands_in_for_a_top_pin_opens_to_no_other_cut(spec):
    """Every offer in every chamber that can have that top pin: the same cuts part it as before, at either line."""
    seen = 0
    for deepest in spec.all_depths:
        for control in spec.all_depths if spec.control_offset else [None]:
            line = deepest if control is None else control + spec.control_offset
            between = [line - deepest] if line > deepest else []
            top = spec.stack_total - line
            if top < 1:
                continue
            before = _lines(spec, {deepest}, control, [deepest, *between, top])
            for pieces in in_place_of(spec, PinSize("top", top), FULL):
                sizes = [one.size for one in pieces]
                assert sum(sizes) == top and "bottom" not in {one.kind for one in pieces}
                assert _lines(spec, {deepest}, control, [deepest, *between, *sizes]) == before
                seen += 1
    assert seen > 20


def test_only_a_top_pin_is_made_of_several_and_its_lowest_piece_is_long():
    # 18 less a deepest cut of 9 and 2 beyond it: what stands over the lowest joint is 7 at most.
    spare = {PinSize("top", 9): 3, PinSize("top", 5): 3, PinSize("master", 4): 3, PinSize("bottom", 9): 9}
    assert in_place_of(PLAIN, PinSize("top", 13), spare) == ((PinSize("top", 9), PinSize("master", 4)),)
    assert in_place_of(PLAIN, PinSize("top", 10), {PinSize("top", 5): 2}) == ((PinSize("top", 5),) * 2,)
    assert in_place_of(PLAIN, PinSize("top", 10), {PinSize("top", 5): 1}) == ()  # it would take two
    assert in_place_of(PLAIN, PinSize("top", 10), {PinSize("top", 2): 5}) == ()  # 8 would stand over the lowest joint
    for kind, size in (("bottom", 6), ("master", 6), ("build-up", 6)):
        assert all(len(pieces) == 1 for pieces in in_place_of(PLAIN, PinSize(kind, size), FULL))
    assert in_place_of(PLAIN, PinSize("bottom", 6), FULL) == ()
    assert in_place_of(PLAIN, PinSize("master", 6), FULL) == ((PinSize("build-up", 6),),)
    # A core's control line lies 10 up: 23 - 10 - 11 leaves 2 over a joint, and no pin is under 2.
    assert in_place_of(CORE, PinSize("top", 8), {PinSize("top", 6): 1, PinSize("master", 2): 1}) == (
        (PinSize("top", 6), PinSize("master", 2)),
    )
    assert (
        in_place_of(CORE, PinSize("top", 8), {PinSize("top", 4): 2, PinSize("top", 7): 1, PinSize("top", 1): 1}) == ()
    )
