"""A construction master: a key that turns cylinders of a building site until the permanent keys are turned in them.

In chosen chambers a ball (of the one size that a maker has, or of several; or a pin that is lost the same way) stands
over the pins that the permanent keys lift, and the construction key is cut deeper there by its size. A permanent key
that lifts the ball right over the shear line carries it into a hole of the plug, and from then on the construction
key is too deep by it (common practice, no source). One that is cut shallower there leaves a master pin between the
two: it loses nothing in that chamber. So nothing that stays in a cylinder is added for it: in every other chamber its
cut is one that it shears at anyway.

That cut is the top master's in most chambers. So its keys are counted and called in like a master's until the last
door is made dead, and destroyed then; and where the top master is cut so deep that one chamber alone has room for a
ball, the set-up is weaker (common practice, no source).
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import combinations, islice, product

from app.keying.auditing import audit
from app.keying.errors import NoBittingsLeft
from app.keying.pinning import Pinning, passed_bounds, shearing_depths
from app.keying.spec import Bitting, BittingSpec

MOST_TRIED = 300
"""Bittings that are held against every cylinder and key before the search gives up."""
SURE_CHAMBERS = 2
"""Balls that each cylinder gets where that can be: with one, a worn key and a loose plug may still pass."""


def is_ball(spec: BittingSpec, size: int) -> bool:
    """Whether there are balls of so many increments: of the one size that the maker has, else of any that could be a
    master pin, since a ball shears the same way.

    >>> spec = BittingSpec(chambers=6, depths=10, macs=7, step=2)
    >>> is_ball(spec, 1), is_ball(spec, 4), is_ball(replace(spec, ball=6), 4)
    (False, True, False)
    """
    return size == spec.ball if spec.ball else size >= max(spec.min_master_pin or 1, spec.step)


def ball_sizes(permanent: Collection[Bitting], construction: Bitting) -> tuple[int, ...] | None:
    """The ball of each chamber in increments, 0 for none; None where the key would need a pin that stays.

    >>> ball_sizes([(2, 4, 6), (4, 4, 2)], (8, 4, 6)), ball_sizes([(2, 4, 6), (4, 4, 2)], (8, 4, 4))
    ((4, 0, 0), None)
    """
    sizes = []
    for depths, cut in zip(shearing_depths(permanent), construction, strict=True):
        if cut not in depths and cut < depths[-1]:
            return None
        sizes.append(0 if cut in depths else cut - depths[-1])
    return tuple(sizes)


def room_for_balls(spec: BittingSpec, tmk: Bitting) -> tuple[int, ...] | None:
    """The chambers, from 0, that a new system holds at its top master's cut, so that a construction key has room in
    each cylinder for the one ball that the maker has; () where any ball goes, None under a top without room.

    SURE_CHAMBERS of them where the key is within the MACS then, else one.

    >>> spec = BittingSpec(chambers=4, depths=10, macs=7, step=2, ball=6)
    >>> room_for_balls(spec, (1, 8, 3, 5)), room_for_balls(spec, (9, 3, 9, 3)), room_for_balls(spec, (9, 9, 9, 8))
    ((0, 2), (1, 3), None)
    """
    if not spec.ball:
        return ()
    places = [place for place, cut in enumerate(tmk) if cut + spec.ball <= spec.last_depth]
    for count in (SURE_CHAMBERS, 1):
        for chosen in combinations(places, count):
            if spec.within_macs(tuple(cut + spec.ball * (place in chosen) for place, cut in enumerate(tmk))):
                return chosen
    return None


def can_be_set_up(spec: BittingSpec, permanent: Collection[Bitting], construction: Bitting) -> bool:
    """Whether a cylinder of these keys takes balls for a construction key, which its own and masters make dead."""
    sizes = ball_sizes(permanent, construction)
    if sizes is None or not is_left_dead(permanent, construction):
        return False
    return all(is_ball(spec, size) for size in sizes if size)


def is_left_dead(permanent: Collection[Bitting], construction: Bitting) -> bool:
    """Whether the construction key no longer turns a cylinder that each of these was turned in.

    >>> is_left_dead([(2, 4), (4, 4)], (8, 4)), is_left_dead([(2, 4), (4, 6)], (2, 6))
    (True, False)
    """
    cuts = zip(shearing_depths(permanent), construction, strict=True)
    return not all(cut in depths for depths, cut in cuts)


def with_balls(spec: BittingSpec, pinning: Pinning, sizes: Sequence[int]) -> Pinning:
    """A pinning that has the construction key among its keys, each ball told apart from the master pins under it: it
    is none of those whose number the spec bounds.
    """
    chambers = tuple(
        replace(pins, masters=pins.masters[:-1], ball=size) if size else pins
        for pins, size in zip(pinning.chambers, sizes, strict=True)
    )
    passed = passed_bounds(replace(spec, chambers=len(chambers)), chambers, pinning.combinations)
    others = (said for said in pinning.warnings if said not in pinning.passed)
    return replace(pinning, chambers=chambers, warnings=(*others, *passed), passed=passed)


def find_construction_key(
    spec: BittingSpec,
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    set_up: Collection[str],
    avoid: Collection[Bitting] = (),
) -> Bitting:
    """Give a key that turns the cylinders of `set_up` and no others until it is made dead, and none from then on.

    keys: symbol → bitting of all that is issued; cylinders: name → the symbols meant to operate it. While it is in
    service no other key turns a cylinder more than without it. Balls in as few chambers as leave each cylinder
    SURE_CHAMBERS of them, else one. avoid: bittings that it is not to be cut to besides. Raises NoBittingsLeft.
    """
    permanent = [tuple(dict.fromkeys(keys[symbol] for symbol in cylinders[name])) for name in set_up]
    depths = [shearing_depths(operating) for operating in dict.fromkeys(permanent)]
    taken, name = {*keys.values(), *avoid}, "construction"
    while name in keys:
        name += "+"
    operated = {one: [*symbols, *([name] if one in set_up else [])] for one, symbols in cylinders.items()}
    before = set(audit(keys, cylinders).unintended)
    for balls in (SURE_CHAMBERS, 1):
        for cuts in islice(_candidates(spec, depths, balls), MOST_TRIED):
            if cuts not in taken and not set(audit({**keys, name: cuts}, operated).unintended) - before:
                return cuts
    raise NoBittingsLeft(
        "construction",
        "No construction key was found that turns these cylinders until it is made dead, and no others"
        + (f", by balls of {spec.ball}" if spec.ball else "")
        + ": set fewer of them up, or leave the site construction cores.",
    )


_Depths = Sequence[tuple[int, ...]]


def _candidates(spec: BittingSpec, cylinders: Sequence[_Depths], balls: int) -> Iterator[Bitting]:
    """Cuts within MACS with which each cylinder has at least so many balls, fewest chambers with balls first."""
    shared = [sorted(set.intersection(*map(set, chamber))) for chamber in zip(*cylinders, strict=True)]
    deeper = [_deeper(spec, chamber) for chamber in zip(*cylinders, strict=True)]
    places = range(spec.chambers)
    for count in range(balls, spec.chambers + 1):
        for chosen in combinations(places, count):
            columns = [deeper[place] if place in chosen else shared[place] for place in places]
            for cuts in product(*columns):
                if spec.within_macs(cuts) and all(_has_balls(one, cuts, chosen, balls) for one in cylinders):
                    yield cuts


def _deeper(spec: BittingSpec, chamber: Sequence[tuple[int, ...]]) -> list[int]:
    """The cuts at which each cylinder's chamber has room for a ball, or shears there anyway; the least deep first."""
    different = dict.fromkeys(chamber)
    return [
        cut
        for cut in spec.all_depths
        if all(cut in depths or is_ball(spec, cut - depths[-1]) for depths in different)
    ]


def _has_balls(cylinder: _Depths, cuts: Bitting, chosen: Sequence[int], balls: int) -> bool:
    return sum(cuts[place] > cylinder[place][-1] for place in chosen) >= balls
