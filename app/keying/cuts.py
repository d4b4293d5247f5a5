"""Cuts in inches: their places and root depths to cut a key by, and what was read of a key by caliper or gauge."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction

from app.keying.errors import KeyingError
from app.keying.inches import read_inches
from app.keying.spec import DEPTH_CHARACTERS, Bitting, BittingSpec, read_bitting


@dataclass(frozen=True, slots=True)
class Cut:
    """One cut: its chamber's number, and in exact inches where its middle is from the key's stop and what root it
    leaves.
    """

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

    Cuts are counted and their places measured from where the key stops, shoulder or tip, so a key with fewer cuts
    than the keyway has room for has them at the same places.

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
        for chamber, depth in zip(spec.chamber_numbers, bitting, strict=True)
    )


class CutState(StrEnum):
    """How a measured cut stands to the chart."""

    GOOD = "good"
    WORN = "worn"
    BETWEEN = "in between"
    OUTSIDE = "outside the chart"


@dataclass(frozen=True, slots=True)
class DecodedCut:
    """One cut: its chamber, the nearest depth, how far off (above 0: deeper than the chart), and its state. off is
    None of a depth that was read by a gauge.

    `could_be` has every depth that the cut may have had: a cut in between two depths is either, a worn cut
    the shallower one most likely.
    """

    chamber: int
    depth: int = field(repr=False)
    off: Fraction | None
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
    for chamber, root in zip(spec.chamber_numbers, measured, strict=True):
        if not isinstance(root, Fraction) or not 0 < root <= 10:
            raise KeyingError("measured", f"Chamber {chamber}: enter inches above 0, such as 0.305.")
        cuts.append(_decode_cut(spec, chamber, root, increment, tolerance))
    return _as_key(spec, cuts)


def _as_key(spec: BittingSpec, cuts: Sequence[DecodedCut]) -> DecodedKey:
    sure = all(cut.state in (CutState.GOOD, CutState.WORN) for cut in cuts)
    bitting = tuple(cut.depth for cut in cuts)
    within = spec.within_macs(bitting)
    warnings = [f"Chamber {cut.chamber}: the cut is {cut.state}." for cut in cuts if cut.state is not CutState.GOOD]
    if not within:
        warnings.append("The cuts as read break the MACS of this spec: measure again, or it is another spec's key.")
    return DecodedKey(tuple(cuts), bitting if sure else None, within, tuple(warnings))


class CutOrder(StrEnum):
    """From which end the cuts of a key were read."""

    BOW = "bow to tip"
    TIP = "tip to bow"


_MM = "mm"
_LONGEST_WORD = 8


def read_key(spec: BittingSpec, text: str, order: CutOrder, tolerance: Fraction, field: str) -> DecodedKey:
    """Give the key from what a person typed of it, from either end; `field` names it in a refusal.

    Root depths in inches or millimeters, parted by blanks: .302 .2875 …, 7.67mm 7.30mm …, or 7.67 7.30 … mm. Or the
    depths themselves, as a gauge or a code says them: 275038, 2 7 5 0 3 8, 27-50-38; 10 or A where each stands apart.

    >>> spec = BittingSpec(chambers=3, depths=10, macs=7, step=2, depth0_in=Fraction("0.335"),
    ...     increment_in=Fraction("0.015"))
    >>> for text in ("0.335 .305 .275", "8.509 7.747 6.985 mm", "0 2 4", "024", "0-2-4"):
    ...     assert read_key(spec, text, CutOrder.BOW, Fraction("0.002"), "cuts").bitting == (0, 2, 4)
    >>> read_key(spec, "024", CutOrder.TIP, Fraction("0.002"), "cuts").bitting
    (4, 2, 0)
    """
    words = text.replace(",", " ").replace(";", " ").casefold().replace(_MM, f"{_MM} ").split()
    is_metric = _MM in text.casefold()
    if not is_metric and not any(mark in text for mark in "./"):
        parts = text.replace("-", " ").replace(",", " ").replace(";", " ").split()
        if len(parts) == spec.chambers and all(part.isdecimal() and len(part) < 3 for part in parts):
            parts = [DEPTH_CHARACTERS[int(part)] if int(part) < len(DEPTH_CHARACTERS) else part for part in parts]
        digits = "".join(parts)
        read = read_bitting(spec, digits if order is CutOrder.BOW else digits[::-1], field)
        return _as_key(
            spec,
            [
                DecodedCut(chamber, depth, None, CutState.GOOD, (depth,))
                for chamber, depth in zip(spec.chamber_numbers, read, strict=True)
            ],
        )
    if is_metric:
        words = [word.removesuffix(_MM) for word in words if word != _MM]
        if any(len(word) > _LONGEST_WORD for word in words):
            raise KeyingError(field, "Enter each root depth in millimeters, such as 7.67.")
        words = [f"{word} {_MM}" for word in words]
    measured = [read_inches(word, field) for word in words]
    thick = next((root for root in measured if root > 1), None)
    if thick is not None:
        raise KeyingError(field, "A root of more than an inch is no key's: where these are millimeters, write mm.")
    try:
        return decode(spec, measured if order is CutOrder.BOW else measured[::-1], tolerance)
    except KeyingError as error:
        if error.field == "measured":
            raise KeyingError(field, error.message) from error
        raise


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
