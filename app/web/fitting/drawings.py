"""What is drawn beside the Fit pages' answers, to scale: cuts through the door, a stile from the front."""

from dataclasses import dataclass
from fractions import Fraction

from app.fitting import LengthFit, TailpieceFit, TailpieceQuestion
from app.web.fitting.answers import BoreAnswer, LengthAnswer

_MOST_DRAWN = 64 * 40  # what is larger is not drawn to scale


def _units(inches: Fraction) -> int:
    return min(round(inches * 64), _MOST_DRAWN)


@dataclass(frozen=True, slots=True)
class DrawnCylinder:
    """One cylinder from its head to the back of its cam; `x` run outwards from the door's middle."""

    head: int  # where the underside of the head stands
    trim: int
    ring: int
    projection: int
    length: int


@dataclass(frozen=True, slots=True)
class LengthDrawing:
    """A cut through the door: its thickness, the lock's case in its middle, a cylinder on each side."""

    door: int
    case: int
    outside: DrawnCylinder | None
    inside: DrawnCylinder | None
    width: int


def draw_length(answer: LengthAnswer) -> LengthDrawing:
    """The cut through the door for a length answer."""
    door, case = _units(answer.question.door), _units(answer.question.case)
    outside = _side(answer.sides[0].fit, door, answer.question.trim)
    inside = _side(answer.sides[1].fit, door, answer.inside_trim)
    reach = max((each.head for each in (outside, inside) if each), default=door // 2)
    return LengthDrawing(door, case, outside, inside, 2 * reach + 100)


def _side(fit: LengthFit, door: int, trim: Fraction) -> DrawnCylinder | None:
    if fit.chosen is None or fit.ring is None or fit.projection is None:
        return None
    thick, ring, proud = _units(trim), _units(fit.ring), _units(fit.projection)
    return DrawnCylinder(door // 2 + thick + ring + proud, thick, ring, proud, _units(fit.chosen))


@dataclass(frozen=True, slots=True)
class BoreDrawing:
    """A stile seen from the front, its outer edge on the left: the hole, and where the middle is."""

    stile: int
    center: int
    backset: int
    radius: int
    bolt: int
    stop: int


def draw_bore(answer: BoreAnswer) -> BoreDrawing:
    """The stile for a deadbolt answer."""
    fit, question = answer.fit, answer.question
    radius = _units(question.bore / 2)
    return BoreDrawing(
        _units(question.stile),
        _units(fit.centered_backset),
        _units(fit.chosen),
        radius,
        max(radius // 3, 6),
        _units(question.glass_stop),
    )


@dataclass(frozen=True, slots=True)
class TailpieceDrawing:
    """A cut through the door: the body in it, the tailpiece past it, and the span that the end must reach."""

    door: int
    trim: int
    body: int
    cut: int
    least: int
    most: int
    supplied: int
    width: int


def draw_tailpiece(answer: tuple[TailpieceFit, TailpieceQuestion]) -> TailpieceDrawing:
    """The cut through the door for a tailpiece answer."""
    fit, question = answer
    body = _units(question.length - question.trim) if question.length > question.trim else 0
    cut = _units(fit.cut_to) if fit.cut_to is not None else 0
    supplied = _units(question.supplied)
    door = _units(question.door)
    far = max(door + _units(question.reach_most), body + max(cut, supplied), door)
    return TailpieceDrawing(
        door,
        _units(question.trim),
        body,
        cut,
        door + _units(question.reach_least),
        door + _units(question.reach_most),
        supplied,
        far + 110,
    )
