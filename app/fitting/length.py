"""Mortise cylinder length: what the door asks for, what is on the shelf, and the ring that makes it up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from app.errors import BitternError
from app.fitting.inches import show_inches


@dataclass(frozen=True, slots=True)
class LengthQuestion:
    """A door and what is stocked, all in inches.

    `trim` is whatever stands between the door's face and the cylinder's head; `cam_depth` is the depth from
    the case's face to the back of the cam; the lock sits in the middle of the door.
    """

    door: Fraction
    case: Fraction
    trim: Fraction
    cam_depth: Fraction
    lengths: tuple[Fraction, ...]
    rings: tuple[Fraction, ...] = ()


@dataclass(frozen=True, slots=True)
class LengthFit:
    """The answer, in inches; `chosen`, `ring` and `projection` are None when nothing is long enough.

    `projection` is how far the head still stands proud with the ring on.
    """

    required: Fraction
    chosen: Fraction | None
    ring: Fraction | None
    projection: Fraction | None
    warnings: tuple[str, ...]


def required_length(door: Fraction, case: Fraction, trim: Fraction, cam_depth: Fraction) -> Fraction:
    """(door − case) / 2 + trim + cam depth, exactly. From memory of the trade; no published source.

    >>> required_length(Fraction(7, 4), Fraction(1), Fraction(0), Fraction(3, 4))
    Fraction(9, 8)
    """
    if door <= 0:
        raise BitternError("door", "Enter the door's thickness, more than 0.")
    if case <= 0:
        raise BitternError("case", "Enter the thickness of the lock's case, more than 0.")
    if case > door:
        raise BitternError("case", f"A case of {show_inches(case)} in is thicker than the door.")
    if cam_depth <= 0:
        raise BitternError("cam_depth", "Enter the depth from the case's face to the back of the cam.")
    return (door - case) / 2 + trim + cam_depth


def _ring(gap: Fraction, rings: Sequence[Fraction]) -> Fraction:
    """The thickest ring that does not pull the cam away from the lock; 0 for none."""
    return max((ring for ring in rings if ring <= gap), default=Fraction(0))


def fit_length(question: LengthQuestion) -> LengthFit:
    """The next stocked length up and the one ring that makes up the rest.

    A thicker ring than the gap would hold the cam short of the lock, so the ring never exceeds it. Any
    projection that is left is a security fault and is warned of. BitternError names a bad measure.

    >>> inch = Fraction
    >>> fit = fit_length(LengthQuestion(inch(2), inch(1), inch(0), inch(3, 4),
    ...     (inch(9, 8), inch(11, 8)), (inch(1, 8),)))
    >>> fit.required, fit.chosen, fit.ring, fit.projection
    (Fraction(5, 4), Fraction(11, 8), Fraction(1, 8), Fraction(0, 1))
    """
    required = required_length(question.door, question.case, question.trim, question.cam_depth)
    if not question.lengths:
        raise BitternError("lengths", "Give at least one stocked length.")
    if min(question.lengths) <= 0:
        raise BitternError("lengths", "Every stocked length must be more than 0.")
    if question.rings and min(question.rings) <= 0:
        raise BitternError("rings", "Every ring's thickness must be more than 0.")
    enough = sorted(length for length in question.lengths if length >= required)
    if not enough:
        longest = show_inches(max(question.lengths))
        text = (
            f"No stocked length reaches {show_inches(required)} in; the longest is {longest} in and its cam "
            "would not work the lock."
        )
        return LengthFit(required, None, None, None, (text,))
    chosen = enough[0]
    ring = _ring(chosen - required, question.rings)
    projection = chosen - required - ring
    warnings = []
    if projection:
        warnings.append(
            f"The head stands proud by {show_inches(projection)} in, more than a ring here can cover: "
            "a wrench can get hold of it."
        )
        for longer in enough[1:]:
            flush = longer - required
            if flush in question.rings:
                warnings.append(f"{show_inches(longer)} in with a {show_inches(flush)} in ring would sit flush.")
                break
    return LengthFit(required, chosen, ring, projection, tuple(warnings))


def fit_both_positions(question: LengthQuestion, inside_trim: Fraction) -> tuple[LengthFit, LengthFit]:
    """The outside and the inside cylinder of one lock; they differ by the trim on each face."""
    return fit_length(question), fit_length(replace(question, trim=inside_trim))
