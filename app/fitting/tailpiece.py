"""Rim tailpiece length: how long it must be, from the back of the cylinder's body, and where to cut it."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from app.errors import BitternError
from app.fitting.inches import show_inches


@dataclass(frozen=True, slots=True)
class TailpieceQuestion:
    """A rim cylinder in its door, in inches.

    `length` is the cylinder from the underside of its head; `trim` what stands under the head; the tailpiece
    must reach from `reach_least` to `reach_most` past the door's inner face, into the lock; `supplied` is the
    uncut tailpiece, and `notch` the way between its break-off notches (None: cut anywhere).
    """

    door: Fraction
    length: Fraction
    trim: Fraction
    reach_least: Fraction
    reach_most: Fraction
    supplied: Fraction
    notch: Fraction | None = None


@dataclass(frozen=True, slots=True)
class TailpieceFit:
    """The answer, in inches from the back of the body; `cut_to` is None when the tailpiece is too short or no
    notch lies right."""

    least: Fraction
    most: Fraction
    cut_to: Fraction | None
    cut_off: Fraction | None
    warnings: tuple[str, ...]


def _check(question: TailpieceQuestion) -> None:
    for field, words in (
        ("door", "the door's thickness"),
        ("length", "the cylinder's length"),
        ("supplied", "the tailpiece's length"),
    ):
        if getattr(question, field) <= 0:
            raise BitternError(field, f"Enter {words}, more than 0.")
    if question.reach_least > question.reach_most:
        raise BitternError("reach_least", "The least reach is more than the most: swap them.")
    if question.notch is not None and question.notch <= 0:
        raise BitternError("notch", "The way between notches must be more than 0; leave it out to cut anywhere.")


def fit_tailpiece(question: TailpieceQuestion) -> TailpieceFit:
    """door − (length − trim) + reach: the body fills the first part of the door, the tailpiece the rest.

    From memory of the trade; no published source. Notches count from the body. The longest cut that does not
    bottom in the lock is chosen.

    >>> inch = Fraction
    >>> fit = fit_tailpiece(TailpieceQuestion(
    ...     inch(7, 4), inch(9, 8), inch(0), inch(1, 4), inch(1, 2), inch(5, 2), inch(1, 8)))
    >>> str(fit.least), str(fit.most), str(fit.cut_to), str(fit.cut_off)
    ('7/8', '9/8', '9/8', '11/8')
    """
    _check(question)
    body = question.length - question.trim
    least = max(question.door - body + question.reach_least, Fraction(0))
    most = question.door - body + question.reach_most
    warnings = []
    if body > question.door:
        warnings.append(
            f"The body goes through the door and stands {show_inches(body - question.door)} in into the lock: "
            "take a shorter cylinder or more trim."
        )
    if most <= 0:
        warnings.append("There is no room for a tailpiece.")
        return TailpieceFit(least, most, None, None, tuple(warnings))
    cut = min(most, question.supplied)
    if question.notch is not None and cut < question.supplied:
        cut = (cut // question.notch) * question.notch
    if cut < least:
        if question.supplied < least:
            warnings.append(
                f"The tailpiece is {show_inches(least - question.supplied)} in too short: order a longer one."
            )
        else:
            warnings.append("No break-off notch lies between the least and the most: cut between the notches.")
        return TailpieceFit(least, most, None, None, tuple(warnings))
    return TailpieceFit(least, most, cut, question.supplied - cut, tuple(warnings))
