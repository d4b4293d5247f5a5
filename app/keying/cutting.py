"""Cutting a key: the root depth and the place of each cut, for a code machine or a file and caliper."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

from app.keying.errors import KeyingError
from app.keying.spec import Bitting, BittingSpec

MM_PER_INCH = Fraction(254, 10)


@dataclass(frozen=True, slots=True)
class Cut:
    """One cut: its chamber from the bow, where its middle is and what root it leaves, exact inches."""

    chamber: int
    place: Fraction
    root: Fraction = field(repr=False)

    @property
    def place_mm(self) -> Fraction:
        """The way from the shoulder to the middle of the cut, exact millimetres."""
        return self.place * MM_PER_INCH

    @property
    def root_mm(self) -> Fraction:
        """The metal left under the cut, exact millimetres."""
        return self.root * MM_PER_INCH


def root_depth(spec: BittingSpec, depth: int) -> Fraction:
    """Give the exact inches of metal left under a cut of this depth number."""
    if spec.depth0_in is None or spec.increment_in is None:
        missing = "depth0_in" if spec.depth0_in is None else "increment_in"
        raise KeyingError(f"spec.{missing}", "The bitting spec does not give its inches: enter them off the chart.")
    if depth not in spec.all_depths:
        raise KeyingError("bitting", "A depth is not one of this spec's.")
    return spec.depth0_in - (depth - spec.first_depth) * spec.increment_in


def cut_list(spec: BittingSpec, bitting: Bitting) -> tuple[Cut, ...]:
    """Give each cut's place and root depth, bow to tip, from the spec's inches.

    >>> spec = BittingSpec(chambers=3, depths=10, macs=7, step=2, depth0_in=Fraction("0.33"),
    ...     increment_in=Fraction("0.015"), first_cut_in=Fraction("0.25"), spacing_in=Fraction("0.156"))
    >>> [(str(cut.place), str(cut.root), float(cut.root_mm)) for cut in cut_list(spec, (0, 2, 4))][1]
    ('203/500', '3/10', 7.62)
    """
    if spec.first_cut_in is None or spec.spacing_in is None:
        missing = "first_cut_in" if spec.first_cut_in is None else "spacing_in"
        raise KeyingError(f"spec.{missing}", "The bitting spec does not give its inches: enter them off the chart.")
    if len(bitting) != spec.chambers:
        raise KeyingError("bitting", f"The bitting needs {spec.chambers} cuts.")
    return tuple(
        Cut(chamber, spec.first_cut_in + (chamber - 1) * spec.spacing_in, root_depth(spec, depth))
        for chamber, depth in enumerate(bitting, start=1)
    )
