"""Deadbolt bore and backset against the stile: is the bolt centered, and how much of the stile is left."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from app.errors import BitternError
from app.fitting.inches import show_inches

LABEL_CAUTION = (
    "Drilling a fire-rated door in the field is limited by its label and the local code: ask before drilling."
)


@dataclass(frozen=True, slots=True)
class BoreQuestion:
    """A stile, the backsets to be had and the hole in the door, in inches; the hole's limits may be None."""

    stile: Fraction
    backsets: tuple[Fraction, ...]
    bore: Fraction
    bore_min: Fraction | None = None
    bore_max: Fraction | None = None


@dataclass(frozen=True, slots=True)
class BoreFit:
    """The answer, in inches.

    `offset_from_center` is chosen − centered: negative is nearer the door's edge. `edge_left` is the least
    of the stile left beside the hole, the smaller of the door-edge side and the inner side.
    """

    centered_backset: Fraction
    chosen: Fraction
    offset_from_center: Fraction
    door_edge_left: Fraction
    inner_edge_left: Fraction
    edge_left: Fraction
    warnings: tuple[str, ...]


def _check(question: BoreQuestion) -> None:
    for field in ("stile", "bore"):
        if getattr(question, field) <= 0:
            raise BitternError(field, f"Enter the {field}, more than 0.")
    if not question.backsets:
        raise BitternError("backsets", "Give at least one backset.")
    if min(question.backsets) <= 0:
        raise BitternError("backsets", "Every backset must be more than 0.")
    low, high = question.bore_min, question.bore_max
    if low is not None and high is not None and low > high:
        raise BitternError("bore_min", "The least hole is larger than the largest: swap them.")
    if question.bore >= question.stile:
        raise BitternError("bore", f"A hole of {show_inches(question.bore)} in leaves nothing of the stile.")


def fit_bore(question: BoreQuestion) -> BoreFit:
    """The backset nearest the middle of the stile (the longer of two as near), and what to watch for.

    Backsets and bores are common practice, no source; the house enters what its makers name.

    >>> inch = Fraction
    >>> fit = fit_bore(BoreQuestion(inch(4), (inch(2), inch(19, 8), inch(11, 4)), inch(17, 8)))
    >>> fit.chosen, fit.offset_from_center, fit.edge_left
    (Fraction(2, 1), Fraction(0, 1), Fraction(15, 16))
    """
    _check(question)
    centered = question.stile / 2
    chosen = min(question.backsets, key=lambda backset: (abs(backset - centered), -backset))
    offset = chosen - centered
    door_edge = chosen - question.bore / 2
    inner_edge = question.stile - chosen - question.bore / 2
    left = min(door_edge, inner_edge)
    warnings = []
    if offset:
        side = "nearer the door's edge" if offset < 0 else "farther from the door's edge"
        warnings.append(
            f"The bolt is not centered: {show_inches(abs(offset))} in {side} than the middle of the stile."
        )
    if left <= 0:
        warnings.append("The hole breaks out of the stile: this bolt does not fit here.")
    low, high = question.bore_min, question.bore_max
    if low is not None and question.bore < low:
        warnings.append(f"The hole must be opened up to {show_inches(low)} in at least. {LABEL_CAUTION}")
    if high is not None and question.bore > high:
        warnings.append(f"The hole is larger than the {show_inches(high)} in that the lock can cover.")
    return BoreFit(centered, chosen, offset, door_edge, inner_edge, left, tuple(warnings))
