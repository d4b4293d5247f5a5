"""A construction master, against a cylinder that is turned pin by pin: what each key does before and after."""

from dataclasses import replace
from itertools import permutations, product
from random import Random

import pytest

from app.keying import (
    BittingSpec,
    NoBittingsLeft,
    audit,
    ball_sizes,
    can_be_set_up,
    find_construction_key,
    is_left_dead,
    pick_list,
    pin,
    plan_levels,
    room_for_balls,
    with_balls,
)
from app.keying.construction import SURE_CHAMBERS

SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2, stack_total=20, min_master_pin=2)
SINGLE_STEP = BittingSpec(chambers=5, depths=7, macs=5, step=1, stack_total=14, min_master_pin=1)


class Metal:
    """A cylinder as pieces in its chambers, from the key's side up: (height in increments, whether it is the ball).

    A key cut to depth d lets the stack down by d, so that a joint at the height d of the stack is at the shear line.
    A turn has the plug pass under what stands right over the line: a ball there falls into the plug's hole and is
    gone; one over a master pin stays. (common practice, no source)
    """

    def __init__(self, pinning):
        self.chambers = [
            [
                (pins.bottom, False),
                *((size, False) for size in pins.masters),
                *([(pins.ball, True)] if pins.ball else []),
            ]
            for pins in pinning.chambers
        ]

    def turn(self, cuts):
        """Whether the key turns it; if so, the balls right over the shear line are lost."""
        kept = []
        for pieces, cut in zip(self.chambers, cuts, strict=True):
            height, below = 0, 0
            for size, _ in pieces:
                if height + size > cut:
                    break
                height, below = height + size, below + 1
            if height != cut or not below:  # the bottom pin itself stands in the way
                return False
            kept.append([one for place, one in enumerate(pieces) if place != below or not one[1]])
        self.chambers = kept
        return True


def site(spec, seed, masters=2, changes=6):
    rng = Random(seed)
    while True:
        tmk = tuple(rng.choice(range(2, spec.depths - 2)) for _ in range(spec.chambers))
        if spec.allows(tmk):
            try:
                return plan_levels(spec, tmk, levels=3, masters=masters, changes_per_master=changes)
            except NoBittingsLeft:
                continue


def build(spec, plan, name, construction):
    own = [plan.keys[symbol] for symbol in plan.cylinders[name]]
    keys = {symbol: plan.keys[symbol] for symbol in plan.cylinders[name]}
    pinning = pin(spec, {**keys, "CMK": construction})
    return own, with_balls(spec, pinning, ball_sizes(own, construction))


@pytest.mark.parametrize("spec", [SPEC, SINGLE_STEP])
@pytest.mark.parametrize("seed", range(6))
def test_the_construction_key_turns_every_cylinder_until_its_own_key_and_masters_were(spec, seed):
    plan = site(spec, seed)
    set_up = list(plan.cylinders)
    construction = find_construction_key(spec, plan.keys, plan.cylinders, set_up)
    assert construction not in plan.keys.values() and spec.within_macs(construction)
    for name in set_up:
        own, pinning = build(spec, plan, name, construction)
        assert sum(bool(pins.ball) for pins in pinning.chambers) >= SURE_CHAMBERS
        for order in permutations(own):
            metal = Metal(pinning)
            for permanent in order:
                for _ in range(3):  # as often as a contractor likes
                    working = metal.turn(construction)
                assert metal.turn(permanent)
                assert working or not metal.turn(construction)
            assert not metal.turn(construction)
            assert all(metal.turn(other) for other in own)
        assert is_left_dead(own, construction)
        # Before that no other key of the site turns it, and what stays in it is what it was without.
        fresh = [key for symbol, key in plan.keys.items() if symbol not in plan.cylinders[name]]
        assert not any(Metal(pinning).turn(key) for key in fresh)
        plain = pin(spec, {symbol: plan.keys[symbol] for symbol in plan.cylinders[name]})
        assert [(a.bottom, a.masters) for a in pinning.chambers] == [(a.bottom, a.masters) for a in plain.chambers]
        assert [a.top + a.ball for a in pinning.chambers] == [a.top for a in plain.chambers]


@pytest.mark.parametrize("seed", range(3))
def test_every_bitting_that_turns_a_set_up_cylinder_is_among_its_combinations(seed):
    spec = BittingSpec(chambers=3, depths=6, macs=5, step=1, stack_total=12)
    rng = Random(seed)
    keys = {name: tuple(rng.randrange(5) for _ in range(3)) for name in ("AA", "1AA", "2AA")}
    cylinders = {"1AA": ["1AA", "AA"], "2AA": ["2AA", "AA"]}
    try:
        construction = find_construction_key(spec, keys, cylinders, ["1AA"])
    except NoBittingsLeft:
        pytest.fail("a system of three keys has room for one")
    own = [keys["1AA"], keys["AA"]]
    pinning = with_balls(
        spec, pin(spec, {"1AA": keys["1AA"], "AA": keys["AA"], "CMK": construction}), ball_sizes(own, construction)
    )
    turning = sum(Metal(pinning).turn(cuts) for cuts in product(range(6), repeat=3))
    assert turning == pinning.combinations
    other = pin(spec, {"2AA": keys["2AA"], "AA": keys["AA"]})
    assert not Metal(other).turn(construction)


@pytest.mark.parametrize("ball", [2, 3, 4])
@pytest.mark.parametrize("seed", range(4))
def test_a_maker_with_one_size_of_ball_gets_no_other(ball, seed):
    """Found just where trying every bitting finds one: few sites have room for it that were not planned for it."""
    spec = replace(SPEC, ball=ball)
    plan = site(spec, seed)
    ways = [[plan.keys[symbol] for symbol in symbols] for symbols in plan.cylinders.values()]
    sheared = [[set(cuts) for cuts in zip(*own, strict=True)] for own in ways]
    columns = [
        sorted(set.intersection(*({*one[place], max(one[place]) + ball} for one in sheared))) for place in range(6)
    ]
    possible = [
        cuts
        for cuts in product(*columns)
        if max(cuts) <= spec.last_depth
        and spec.within_macs(cuts)
        and all(any(cut not in depths for cut, depths in zip(cuts, one, strict=True)) for one in sheared)
    ]
    try:
        construction = find_construction_key(spec, plan.keys, plan.cylinders, list(plan.cylinders))
    except NoBittingsLeft:
        assert not possible
        return
    assert construction in possible
    for name in plan.cylinders:
        own, pinning = build(spec, plan, name, construction)
        assert {pins.ball for pins in pinning.chambers} == {0, ball}
        assert can_be_set_up(spec, own, construction)
        assert not can_be_set_up(replace(spec, ball=ball + 1), own, construction)


@pytest.mark.parametrize("ball", [3, 6])
@pytest.mark.parametrize("seed", range(4))
def test_a_system_that_is_planned_for_it_has_room_for_the_one_ball(ball, seed):
    spec, rng = replace(SPEC, ball=ball), Random(seed)
    held = None
    while held is None:
        tmk = tuple(rng.choice(spec.all_depths) for _ in range(spec.chambers))
        held = room_for_balls(spec, tmk) if spec.allows(tmk) else None
    plan = plan_levels(spec, tmk, levels=3, masters=2, changes_per_master=6, held=held)
    assert all(cuts[place] == tmk[place] for cuts in plan.keys.values() for place in held)
    assert len(set(plan.keys.values())) == len(plan.keys) == 15
    construction = find_construction_key(spec, plan.keys, plan.cylinders, list(plan.cylinders))
    for name in plan.cylinders:
        own, pinning = build(spec, plan, name, construction)
        assert {pins.ball for pins in pinning.chambers} == {0, ball}
        assert is_left_dead(own, construction)


def test_where_the_one_ball_fits_nowhere_it_is_named():
    spec = BittingSpec(chambers=3, depths=6, macs=5, step=1, ball=4)
    keys = {"AA": (2, 3, 2), "1AA": (1, 2, 3)}
    with pytest.raises(NoBittingsLeft, match="by balls of 4: set fewer"):
        find_construction_key(spec, keys, {"1AA": ["1AA", "AA"]}, ["1AA"])


def test_a_ball_is_none_of_the_master_pins_that_a_spec_bounds():
    spec = BittingSpec(chambers=3, depths=8, macs=7, most_master_pins=1, share_one_in=600)
    keys = {"1AA": (2, 2, 2), "AA": (4, 2, 2)}
    made = pin(spec, {**keys, "CMK": (7, 2, 2)})
    assert [said[:10] for said in made.passed] == ["Chamber 1:", "Of all bit"]
    told = with_balls(spec, made, ball_sizes(list(keys.values()), (7, 2, 2)))
    assert (told.chambers[0].masters, told.chambers[0].ball) == ((2,), 3)
    assert told.passed == told.warnings == made.passed[1:]  # its share is what turns it until then


def test_a_master_cut_shallower_than_the_own_key_under_every_ball_loses_none():
    keys = {"1AA": (6, 6, 8, 2, 4, 9), "AA": (0, 0, 0, 6, 4, 3)}
    construction = (8, 8, 8, 6, 4, 3)
    pinning = with_balls(
        SPEC, pin(SPEC, {**keys, "CMK": construction}), ball_sizes([*keys.values()], construction) or ()
    )
    metal = Metal(pinning)
    assert metal.turn(keys["AA"]) and metal.turn(construction)
    assert metal.turn(keys["1AA"]) and not metal.turn(construction)
    counted = {(one.kind, one.size): count for one, count in pick_list([(pinning, 3)]).pins}
    assert counted["ball", 2] == 6


def test_single_keyed_cylinders_get_a_ball_wherever_they_differ():
    keys = {"SKD1": (2, 4, 6, 2, 4, 6), "SKD2": (4, 4, 2, 4, 6, 2)}
    cylinders = {name: [name] for name in keys}
    construction = find_construction_key(SPEC, keys, cylinders, list(keys))
    found = {name: ball_sizes([cuts], construction) for name, cuts in keys.items()}
    assert all(sizes is not None and sum(map(bool, sizes)) >= SURE_CHAMBERS for sizes in found.values())
    assert construction[1] >= 4
    assert not audit({**keys, "CMK": construction}, {one: [one, "CMK"] for one in keys}).unintended


def test_a_cut_between_two_of_a_cylinder_would_need_a_pin_that_stays():
    assert ball_sizes([(2, 2), (8, 2)], (5, 2)) is None


def test_where_no_cylinder_has_room_for_a_ball_it_says_so():
    spec = BittingSpec(chambers=3, depths=4, macs=3, step=2, min_master_pin=2)
    with pytest.raises(NoBittingsLeft, match="construction cores") as refused:
        find_construction_key(spec, {"AA": (3, 3, 3)}, {"AA": ["AA"]}, ["AA"])
    assert refused.value.field == "construction"


def test_a_key_in_use_or_to_be_left_alone_is_none():
    keys = {"AA": (2, 2, 2, 2, 2, 2)}
    first = find_construction_key(SPEC, keys, {"AA": ["AA"]}, ["AA"])
    second = find_construction_key(SPEC, keys, {"AA": ["AA"]}, ["AA"], avoid=[first])
    assert first != second
    third = find_construction_key(SPEC, {**keys, "old": first}, {"AA": ["AA"]}, ["AA"])
    assert third != first
