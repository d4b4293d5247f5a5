from __future__ import annotations

from collections import Counter

import pytest

from app.keying import BittingSpec, KeyingError, PinSize, pick_list, pin, plan_levels

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
