"""Pins of one cylinder: bottom, master, build-up and top pins by chamber, and what they let in.

Stacks balance to a constant height; an interchangeable core adds the control shear line (a lock maker's technical
manual, manualarchiveguide.com manual 3603228: offset +10 with a stack of 23, page=56; +6 with 14, page=59).
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations_with_replacement, pairwise
from math import prod
from typing import NamedTuple

from app.keying.errors import KeyingError
from app.keying.spec import Bitting, BittingSpec


@dataclass(frozen=True, slots=True)
class ChamberPins:
    """The pins of one chamber in increments, bottom to top; None where the spec cannot tell."""

    bottom: int
    masters: tuple[int, ...]
    buildup: int | None
    top: int | None


@dataclass(frozen=True, slots=True)
class Pinning:
    """Pins bow to tip, and how many bittings they let in.

    `combinations` is the product over chambers of the depths that shear; `intended` the distinct bittings
    meant to operate; `phantom` the rest. Each warning names its chamber.
    """

    chambers: tuple[ChamberPins, ...] = field(repr=False)
    combinations: int
    intended: int
    phantom: int
    warnings: tuple[str, ...]


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
    ChamberPins(bottom=3, masters=(3, 3), buildup=None, top=None)
    >>> pin_cuts([3, 5], control=2, offset=10, stack=23)
    ChamberPins(bottom=3, masters=(2,), buildup=7, top=11)
    """
    depths = sorted(set(cuts))
    masters = tuple(b - a for a, b in pairwise(depths))
    line, buildup = depths[-1], None
    if control is not None and offset is not None:
        line = control + offset
        buildup = line - depths[-1]
    return ChamberPins(depths[0], masters, buildup, None if stack is None else stack - line)


def pin(spec: BittingSpec, keys: Mapping[str, Bitting], control: Bitting | None = None) -> Pinning:
    """Give the pinning of a cylinder that every one of `keys` (symbol → bitting) must operate.

    `control` is an interchangeable core's control key; it needs the spec's `control_offset`. A pin below
    zero, a master or build-up pin under `min_master_pin`, or no room for a top pin is a warning.
    """
    if not keys:
        raise KeyingError("keys", "Name at least one key that operates this cylinder.")
    if control is not None and spec.control_offset is None:
        raise KeyingError("spec.control_offset", "A control key needs the spec's control offset.")
    if any(len(bitting) != spec.chambers for bitting in (*keys.values(), *([control] if control else ()))):
        raise KeyingError("keys", f"Every key needs {spec.chambers} cuts.")
    cuts = shearing_depths(keys.values())
    controls: Sequence[int | None] = control if control is not None else [None] * spec.chambers
    chambers = tuple(
        pin_cuts(depths, ctrl, spec.control_offset, spec.stack_total)
        for depths, ctrl in zip(cuts, controls, strict=True)
    )
    warnings = [
        f"Chamber {number}: {text}"
        for number, pins in enumerate(chambers, start=1)
        for text in _warnings(pins, spec.min_master_pin or 0)
    ]
    combinations = count_combinations(keys.values())
    intended = len(set(keys.values()))
    return Pinning(chambers, combinations, intended, combinations - intended, tuple(warnings))


def _warnings(pins: ChamberPins, least: int) -> list[str]:
    found = [f"master pin {size} is under the least master pin {least}." for size in pins.masters if size < least]
    if pins.buildup is not None:
        if pins.buildup < 0:
            found.append("the build-up pin would be below zero: the control cut is too shallow for the deepest cut.")
        elif pins.buildup < least:
            found.append(f"build-up pin {pins.buildup} is under the least master pin {least}.")
    if pins.top is not None and pins.top < 0:
        found.append("the top pin would be below zero: the stack is higher than the stack total.")
    elif pins.top == 0:
        found.append("there is no room for a top pin: the stack fills the stack total.")
    return found


class PinSize(NamedTuple):
    """A kind of pin (bottom, master, build-up, top) and its size in increments; a top may have none."""

    kind: str
    size: int | None


KINDS = ("bottom", "master", "build-up", "top")


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
            counts[PinSize("bottom", pins.bottom)] += cylinders
            for size in pins.masters:
                counts[PinSize("master", size)] += cylinders
            if pins.buildup is not None and pins.buildup > 0:
                counts[PinSize("build-up", pins.buildup)] += cylinders
            if pins.top is None or pins.top > 0:
                counts[PinSize("top", pins.top)] += cylinders
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
    if pin.size is None or pin.kind == "bottom":
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
