"""Pins of one cylinder: bottom, master, build-up and top pins by chamber, and what they let in.

Stacks balance to a constant height; an interchangeable core adds the control shear line (a lock maker's technical
manual, manualarchiveguide.com manual 3603228: offset +10 with a stack of 23, page=56; +6 with 14, page=59).
"""

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import combinations_with_replacement, pairwise
from math import prod
from typing import NamedTuple

from app.keying.errors import KeyingError
from app.keying.pin_kit import PinLength, nearest_pin
from app.keying.spec import Bitting, BittingSpec, share_words


@dataclass(frozen=True, slots=True)
class ChamberPins:
    """The pins of one chamber in increments, bottom to top; None where the spec cannot tell.

    ball: over the master pins, what the first turn of a permanent key loses (construction.py); 0 where none is.
    """

    bottom: int
    masters: tuple[int, ...]
    buildup: int | None
    top: int | None
    ball: int = 0


@dataclass(frozen=True, slots=True)
class Pinning:
    """Pins bow to tip with their chambers' `numbers`, and how many bittings they let in.

    `combinations` is the product over chambers of the depths that shear, `share` what part that is of all bittings of
    so many chambers; `intended` the distinct bittings meant to operate; `phantom` the rest. Each warning names its
    chamber, or is of the cylinder as a whole; `passed` are those of the spec's bounds that are passed, which hold no
    cut and may stand where nothing is revealed.
    """

    chambers: tuple[ChamberPins, ...] = field(repr=False)
    numbers: tuple[int, ...]
    combinations: int
    share: Fraction
    intended: int
    phantom: int
    warnings: tuple[str, ...] = field(repr=False)
    passed: tuple[str, ...]

    @property
    def share_words(self) -> str:
        """The share in words."""
        return share_words(self.share)


def shearing_depths(bittings: Collection[Sequence[int]]) -> tuple[tuple[int, ...], ...]:
    """Give per chamber the distinct operating depths, shallowest first, of all the bittings together.

    >>> shearing_depths([(3, 4), (6, 4)])
    ((3, 6), (4,))
    """
    return tuple(tuple(sorted(set(cuts))) for cuts in zip(*bittings, strict=True))


def count_combinations(bittings: Collection[Sequence[int]]) -> int:
    """Count the bittings that a cylinder for these lets in: the product of the depths that shear in each chamber.

    >>> count_combinations([(3, 4), (6, 4)]), count_combinations([])
    (2, 0)
    """
    return prod(map(len, shearing_depths(bittings))) if bittings else 0


def pin_cuts(
    cuts: Sequence[int], control: int | None = None, offset: int | None = None, stack: int | None = None
) -> ChamberPins:
    """Give the pins of one chamber for its operating `cuts`, in any order.

    >>> pin_cuts([3, 6, 9])
    ChamberPins(bottom=3, masters=(3, 3), buildup=None, top=None, ball=0)
    >>> pin_cuts([3, 5], control=2, offset=10, stack=23)
    ChamberPins(bottom=3, masters=(2,), buildup=7, top=11, ball=0)
    """
    depths = sorted(set(cuts))
    masters = tuple(b - a for a, b in pairwise(depths))
    line, buildup = depths[-1], None
    if control is not None and offset is not None:
        line = control + offset
        buildup = line - depths[-1]
    return ChamberPins(depths[0], masters, buildup, None if stack is None else stack - line)


def pin(
    spec: BittingSpec, keys: Mapping[str, Bitting], control: Bitting | None = None, chambers: int | None = None
) -> Pinning:
    """Give the pinning of a cylinder that every one of `keys` (symbol → bitting) must operate.

    `control` is an interchangeable core's control key; it needs the spec's `control_offset`. `chambers`: how many the
    cylinder has, where its keys have more cuts: it is pinned to those cuts alone that it sees (`spec.entering`).

    Warnings, by chamber: a pin below zero, a master or build-up pin under `min_master_pin`, no room for a top pin, a
    pin that the kit has only off by more than its tolerance, more master pins than `most_master_pins`. Of the
    cylinder: a share of all bittings over `share_one_in`; a key that breaks the MACS; a control line that plain keys
    reach, which `_control_warnings` judges.
    """
    if not keys:
        raise KeyingError("keys", "Name at least one key that operates this cylinder.")
    if control is not None and spec.control_offset is None:
        raise KeyingError("spec.control_offset", "A control key needs the spec's control offset.")
    if any(len(bitting) != spec.chambers for bitting in (*keys.values(), *([control] if control else ()))):
        raise KeyingError("keys", f"Every key needs {spec.chambers} cuts.")
    if chambers is not None and not 0 < chambers <= spec.chambers:
        raise KeyingError("chambers", f"A cylinder for these keys has 1 to {spec.chambers} chambers.")
    seen = spec if chambers is None else replace(spec, chambers=chambers)
    entered = {symbol: spec.entering(bitting, seen.chambers) for symbol, bitting in keys.items()}
    depths = shearing_depths(entered.values())
    warnings = [*_macs_warnings(spec, {**keys, **({"The control key": control} if control else {})})]
    pulling = None
    if control is not None:
        pulling = spec.entering(control, seen.chambers)
        warnings += _control_warnings(seen, entered, depths, pulling)
    return _pinned(seen, depths, pulling, len(set(entered.values())), warnings)


def pin_depths(spec: BittingSpec, depths: Sequence[Sequence[int]], control: Bitting | None) -> Pinning:
    """Give the pinning of a cylinder of which the depths that shear are known, bow to tip, but not the keys."""
    return _pinned(replace(spec, chambers=len(depths)), depths, control, 0, ())


def _pinned(
    spec: BittingSpec,
    depths: Sequence[Sequence[int]],
    control: Bitting | None,
    intended: int,
    warnings: Sequence[str],
) -> Pinning:
    controls: Sequence[int | None] = control if control is not None else [None] * spec.chambers
    chambers = tuple(
        pin_cuts(shears, ctrl, spec.control_offset, spec.stack_total)
        for shears, ctrl in zip(depths, controls, strict=True)
    )
    by_chamber = [
        f"Chamber {number}: {text}"
        for number, pins in zip(spec.chamber_numbers, chambers, strict=True)
        for text in _warnings(spec, pins)
    ]
    combinations = prod(map(len, depths))
    share = spec.share_of(combinations)
    passed = passed_bounds(spec, chambers, combinations)
    return Pinning(
        chambers,
        tuple(spec.chamber_numbers),
        combinations,
        share,
        intended,
        combinations - intended if intended else 0,
        (*by_chamber, *passed, *warnings, *_off_in_kit(spec, chambers)),
        passed,
    )


def _off_in_kit(spec: BittingSpec, chambers: Sequence[ChamberPins]) -> Iterator[str]:
    """One warning of all pins that the kit has only off by more than its tolerance."""
    off = []
    for number, pins in zip(spec.chamber_numbers, chambers, strict=True):
        for one in _pins_of(pins):
            length = pin_length(spec, one)
            if length is not None and length.is_off:
                off.append(f"{one.kind} {one.size} in chamber {number} {length.off_words}")
    if off:
        yield f"Off in the kit, inches: {'; '.join(off)}."


def passed_bounds(spec: BittingSpec, chambers: Sequence[ChamberPins], combinations: int) -> tuple[str, ...]:
    """Give a warning for each bound of the spec that a cylinder passes; none of them holds a cut."""
    most = spec.most_master_pins
    crowded = [
        f"Chamber {number}: {len(pins.masters)} master pins, over {most}: it wears badly and picks easily."
        for number, pins in zip(spec.chamber_numbers, chambers, strict=True)
        if most is not None and len(pins.masters) > most
    ]
    return (*crowded, *filter(None, [spec.passed_share(combinations)]))


def _macs_warnings(spec: BittingSpec, keys: Mapping[str, Bitting]) -> Iterator[str]:
    for symbol, bitting in keys.items():
        cuts = zip(pairwise(spec.chamber_numbers), pairwise(bitting), strict=True)
        if steep := [f"{a} and {b}" for (a, b), (one, other) in cuts if abs(one - other) > spec.macs]:
            yield f"{symbol} breaks the MACS of {spec.macs}: cuts {', '.join(steep)}."


def _control_warnings(
    spec: BittingSpec, keys: Mapping[str, Bitting], depths: Sequence[Sequence[int]], control: Bitting
) -> Iterator[str]:
    """Say where the two shear lines of a core are not apart, as its joints stand in each chamber.

    A joint lies over the key's tip of each depth that shears, and one, between build-up and top pin, `control_offset`
    over the control cut. A key turns the plug where a joint of every chamber is at the operating line, its own cut
    high; it turns the sleeve, and takes the core out, where one is at the control line, `control_offset` over that.
    So a cut reaches the control line by the control key's joint where it is the control cut, and by a plain joint
    where that is `control_offset` deeper than the cut; and the control joint, where it is in the cuts' reach, turns
    the plug. (reasoned here from the arithmetic of the two lines: a lock maker's technical manual,
    manualarchiveguide.com manual 3603228 page=56 and page=59)
    """
    offset = spec.control_offset or 0
    reach = []
    for number, shears, cut in zip(spec.chamber_numbers, depths, control, strict=True):
        joints = {*shears, cut + offset}
        reach.append({depth for depth in spec.all_depths if depth + offset in joints})
        if beside := sorted(reach[-1] - {cut}):
            yield f"Chamber {number}: cut {' or '.join(map(str, beside))} reaches the control line by a plain joint."
        if cut + offset in set(spec.all_depths) - set(shears):
            yield f"Chamber {number}: the control line's joint lets cut {cut + offset} turn the plug."
        if cut + offset == max(shears):
            yield f"Chamber {number}: no build-up pin parts the control line from the deepest cut's joint."
    if pulling := [
        symbol for symbol, cuts in keys.items() if all(cut in there for cut, there in zip(cuts, reach, strict=True))
    ]:
        yield f"{', '.join(pulling)} reaches the control line in every chamber: it would take the core out."
    elif all(there.intersection(shears) for there, shears in zip(reach, depths, strict=True)):
        yield "A key of plain cuts that nobody ordered reaches the control line in every chamber, and turns the plug."
    if (more := prod(map(len, reach)) - 1) > 0:
        yield f"Besides the control key {more:,} {'bitting reaches' if more == 1 else 'bittings reach'} its line."


def _warnings(spec: BittingSpec, pins: ChamberPins) -> Iterator[str]:
    least = spec.min_master_pin or 0
    for size in pins.masters:
        if size < least:
            yield f"master pin {size} is under the least master pin {least}."
    if pins.buildup is not None:
        if pins.buildup < 0:
            yield "the build-up pin would be below zero: the control cut is too shallow for the deepest cut."
        elif pins.buildup < least:
            yield f"build-up pin {pins.buildup} is under the least master pin {least}."
    if pins.top is not None and pins.top < 0:
        yield "the top pin would be below zero: the stack is higher than the stack total."
    elif pins.top == 0:
        yield "there is no room for a top pin: the stack fills the stack total."


class PinSize(NamedTuple):
    """A kind of pin (bottom, master, ball, build-up, top) and its size in increments; a top may have none."""

    kind: str
    size: int | None


KINDS = ("bottom", "master", "ball", "build-up", "top")


def _pins_of(pins: ChamberPins) -> Iterator[PinSize]:
    """The pins of a chamber, bottom first. A build-up or top pin of 0 or below is none."""
    yield PinSize("bottom", pins.bottom)
    yield from (PinSize("master", size) for size in pins.masters)
    if pins.ball:
        yield PinSize("ball", pins.ball)
    if pins.buildup is not None and pins.buildup > 0:
        yield PinSize("build-up", pins.buildup)
    if pins.top is None or pins.top > 0:
        yield PinSize("top", pins.top)


def pin_length(spec: BittingSpec, pin: PinSize) -> PinLength | None:
    """Give a pin's exact inches and the kit's nearest; None where the spec does not say its inches.

    >>> spec = BittingSpec(chambers=6, depths=10, macs=7, increment_in=Fraction("0.0125"))
    >>> [pin_length(spec, PinSize(kind, 4)) for kind in ("master", "bottom")]
    [PinLength(is_off=False), None]
    """
    kit, increment = spec.kit, spec.increment_in
    if increment is None or pin.size is None:
        return None
    if pin.kind == "bottom":
        if kit.bottom0_in is None:
            return None
        exact = kit.bottom0_in + (pin.size - spec.first_depth) * increment
        return nearest_pin(exact, kit.bottoms_in, kit.tolerance_in)
    sizes = () if pin.kind == "ball" else kit.tops_in if pin.kind == "top" else kit.masters_in
    return nearest_pin(pin.size * increment, sizes, kit.tolerance_in)


@dataclass(frozen=True, slots=True)
class PickList:
    """Pins by kind and size, bottoms first, each kind by size."""

    pins: tuple[tuple[PinSize, int], ...]

    @property
    def total(self) -> int:
        """All pins together."""
        return sum(count for _, count in self.pins)

    def short(self, stock: Mapping[PinSize, int]) -> tuple[tuple[PinSize, int], ...]:
        """Give what the stock lacks."""
        return tuple((size, n - stock.get(size, 0)) for size, n in self.pins if n > stock.get(size, 0))

    def drawn_down(self, stock: Mapping[PinSize, int]) -> dict[PinSize, int]:
        """Give the stock after picking; refuses when a size is short, naming each."""
        if lacking := self.short(stock):
            words = ", ".join(
                f"{count} × {size.kind}{'' if size.size is None else f' {size.size}'}" for size, count in lacking
            )
            raise KeyingError("stock", f"The stock lacks {words}. Order these or correct the count.")
        taken = dict(self.pins)
        return {size: count - taken.get(size, 0) for size, count in stock.items()}


def pick_list(pinnings: Iterable[tuple[Pinning, int]]) -> PickList:
    """Give the pins for some cylinders, each pinning with the number of cylinders that have it.

    A build-up or top pin of 0 or below is no pin; a top pin of unknown size counts without a size.
    """
    counts: Counter[PinSize] = Counter()
    for pinning, cylinders in pinnings:
        for pins in pinning.chambers:
            for one in _pins_of(pins):
                counts[one] += cylinders
    ranked = sorted(counts, key=lambda pin: (KINDS.index(pin.kind), pin.size if pin.size is not None else -1))
    return PickList(tuple((pin, counts[pin]) for pin in ranked))


MOST_PIECES = 3  # in place of one top pin: more tip and bind
BEYOND_CUTS = 2  # increments that a joint lies deeper than the deepest cut


def in_place_of(spec: BittingSpec, pin: PinSize, spare: Mapping[PinSize, int]) -> tuple[tuple[PinSize, ...], ...]:
    """Give what may stand in a chamber in place of a pin that ran out, from the key's side up, out of what is spare:
    fewest pieces first, of as many those whose lowest is longest.

    Two pins part wherever they meet, so every joint is a shear line more (common practice, no source):

    - A bottom pin is never split: a key cut to the joint would turn the plug.
    - Nor is a master pin, for the same reason: nobody ordered that key. Nor a build-up pin: between the operating
      and the control line each height is a cut of one of the two.
    - A top pin may be, where each joint lies deeper than any cut of the spec reaches, at either line, and by
      BEYOND_CUTS more, since a worn key and an empty keyway let pins down further: the longest at the key's side.
    - A master pin and a build-up pin are the same flat pin under two names, and both may be a top pin; a top pin is
      none of them, since it may be turned down to a spool.

    >>> spec = BittingSpec(chambers=6, depths=10, macs=9, step=2, stack_total=18)
    >>> spare = {PinSize("top", 11): 4, PinSize("master", 2): 9, PinSize("top", 9): 2, PinSize("master", 4): 9}
    >>> in_place_of(spec, PinSize("top", 13), spare)[0]
    (PinSize(kind='top', size=11), PinSize(kind='master', size=2))
    >>> in_place_of(spec, PinSize("bottom", 4), spare)
    ()
    """
    if pin.size is None or pin.kind in ("bottom", "ball"):
        return ()
    kinds = {"top": ("build-up", "master"), "master": ("build-up",), "build-up": ("master",)}[pin.kind]
    alone = [PinSize(kind, pin.size) for kind in kinds if spare.get(PinSize(kind, pin.size), 0) > 0]
    if pin.kind != "top" or spec.stack_total is None:
        return tuple((one,) for one in alone)
    # What stands over a joint says how deep it lies, whatever the chamber: the stack's height is the same in all.
    reach = max(spec.all_depths) + BEYOND_CUTS
    most_over = spec.stack_total - (spec.control_offset or 0) - reach
    least = max(spec.min_master_pin or 1, 1)
    by_size = {size: PinSize(kind, size) for kind, size in _flat_first(spare) if size is not None and size >= least}
    found = [
        tuple(by_size[size] for size in sizes)
        for count in range(2, MOST_PIECES + 1)
        for sizes in combinations_with_replacement(sorted(by_size, reverse=True), count)
        if sum(sizes) == pin.size and sum(sizes[1:]) <= most_over
    ]
    enough = [one for one in found if all(spare[size] >= count for size, count in Counter(one).items())]
    return (*((one,) for one in alone), *enough)


def _flat_first(spare: Mapping[PinSize, int]) -> list[PinSize]:
    """The pins that may be pieces of a top pin; of one size a top pin last, so that it is the one that counts."""
    there = (one for one, count in spare.items() if one.kind != "bottom" and count > 0)
    return sorted(there, key=lambda one: KINDS.index(one.kind))
