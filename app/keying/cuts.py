"""Cuts in inches: their places and root depths to cut a key by, and measured roots read back to depth numbers."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction

from app.keying.errors import KeyingError
from app.keying.spec import Bitting, BittingSpec


@dataclass(frozen=True, slots=True)
class Cut:
    """One cut: its chamber from the bow, where its middle is and what root it leaves, exact inches."""

    chamber: int
    place: Fraction
    root: Fraction = field(repr=False)


def root_depth(spec: BittingSpec, depth: int) -> Fraction:
    """Give the exact inches of metal left under a cut of this depth number."""
    shallowest, increment = _inches(spec, "depth0_in"), _inches(spec, "increment_in")
    if depth not in spec.all_depths:
        raise KeyingError("bitting", "A depth is not one of this spec's.")
    return shallowest - (depth - spec.first_depth) * increment


def _inches(spec: BittingSpec, name: str) -> Fraction:
    """A length that the spec has to give."""
    value: Fraction | None = getattr(spec, name)
    if value is None:
        raise KeyingError(f"spec.{name}", "The bitting spec does not give its inches: enter them off the chart.")
    return value


def cut_list(spec: BittingSpec, bitting: Bitting) -> tuple[Cut, ...]:
    """Give each cut's place and root depth, bow to tip, from the spec's inches.

    >>> spec = BittingSpec(chambers=3, depths=10, macs=7, step=2, depth0_in=Fraction("0.33"),
    ...     increment_in=Fraction("0.015"), first_cut_in=Fraction("0.25"), spacing_in=Fraction("0.156"))
    >>> [(str(cut.place), str(cut.root)) for cut in cut_list(spec, (0, 2, 4))][1]
    ('203/500', '3/10')
    """
    first, spacing = _inches(spec, "first_cut_in"), _inches(spec, "spacing_in")
    if len(bitting) != spec.chambers:
        raise KeyingError("bitting", f"The bitting needs {spec.chambers} cuts.")
    return tuple(
        Cut(chamber, first + (chamber - 1) * spacing, root_depth(spec, depth))
        for chamber, depth in enumerate(bitting, start=1)
    )


class CutState(StrEnum):
    """How a measured cut stands to the chart."""

    GOOD = "good"
    WORN = "worn"
    BETWEEN = "in between"
    OUTSIDE = "outside the chart"


@dataclass(frozen=True, slots=True)
class DecodedCut:
    """One cut: its chamber, the nearest depth, how far off (above 0: deeper than the chart), and its state.

    `could_be` has every depth that the cut may have had: a cut in between two depths is either, a worn cut
    the shallower one most likely.
    """

    chamber: int
    depth: int = field(repr=False)
    off: Fraction
    state: CutState
    could_be: tuple[int, ...] = field(repr=False)


@dataclass(frozen=True, slots=True)
class DecodedKey:
    """The cuts bow to tip; `bitting` is None unless every cut is good or worn."""

    cuts: tuple[DecodedCut, ...]
    bitting: Bitting | None = field(repr=False)
    within_macs: bool
    warnings: tuple[str, ...]


def decode(spec: BittingSpec, measured: Sequence[Fraction], tolerance: Fraction) -> DecodedKey:
    """Give the depths of a key from its measured root depths in exact inches, bow to tip.

    A cut within `tolerance` of a depth is good. One deeper than that, but nearer to it than to the next, is
    worn. One shallower than its nearest depth, beyond the tolerance, is in between: it may be that depth cut
    short, or the next shallower one worn far. Above the blade or under the deepest depth is outside.

    >>> spec = BittingSpec(chambers=3, depths=10, macs=7, step=2, depth0_in=Fraction("0.335"),
    ...     increment_in=Fraction("0.015"))
    >>> key = decode(spec, [Fraction("0.305"), Fraction("0.300"), Fraction("0.324")], Fraction("0.002"))
    >>> [str(cut.state) for cut in key.cuts], key.bitting
    (['good', 'worn', 'in between'], None)
    """
    if len(measured) != spec.chambers:
        raise KeyingError("measured", f"Give {spec.chambers} measured depths, bow to tip; there are {len(measured)}.")
    increment = _inches(spec, "increment_in")
    if not isinstance(tolerance, Fraction) or not 0 < tolerance < increment / 2:
        raise KeyingError("tolerance", "The tolerance must be above 0 and under half the spec's increment.")
    cuts = []
    for chamber, root in enumerate(measured, start=1):
        if not isinstance(root, Fraction) or not 0 < root <= 10:
            raise KeyingError("measured", f"Chamber {chamber}: enter inches above 0, such as 0.305.")
        cuts.append(_decode_cut(spec, chamber, root, increment, tolerance))
    sure = all(cut.state in (CutState.GOOD, CutState.WORN) for cut in cuts)
    bitting = tuple(cut.depth for cut in cuts)
    within = spec.within_macs(bitting)
    warnings = [f"Chamber {cut.chamber}: the cut is {cut.state}." for cut in cuts if cut.state is not CutState.GOOD]
    if not within:
        warnings.append("The cuts as read break the MACS of this spec: measure again, or it is another spec's key.")
    return DecodedKey(tuple(cuts), bitting if sure else None, within, tuple(warnings))


def _decode_cut(
    spec: BittingSpec, chamber: int, root: Fraction, increment: Fraction, tolerance: Fraction
) -> DecodedCut:
    shallowest = root_depth(spec, spec.first_depth)
    # Halfway between two depths counts as the shallower one, worn: wear only ever deepens a cut.
    steps = -(-(shallowest - root - increment / 2) // increment)
    depth = min(max(spec.first_depth + steps, spec.first_depth), spec.last_depth)
    off = root_depth(spec, depth) - root
    if abs(off) <= tolerance:
        return DecodedCut(chamber, depth, off, CutState.GOOD, (depth,))
    if abs(off) > increment / 2 or (depth == spec.first_depth and off < 0):
        return DecodedCut(chamber, depth, off, CutState.OUTSIDE, (depth,))
    if off > 0:
        deeper = (depth + 1,) if depth < spec.last_depth else ()
        return DecodedCut(chamber, depth, off, CutState.WORN, (depth, *deeper))
    return DecodedCut(chamber, depth, off, CutState.BETWEEN, (depth - 1, depth))
