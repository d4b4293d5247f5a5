"""Cams and the locks they serve: the cam belongs to the lock, and 'almost all' is not 'all'."""

from __future__ import annotations

__all__ = ["Cam", "CamAnswer", "Lock", "cams_for_lock"]

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from app.errors import BitternError
from app.fitting.given import quoted


@dataclass(frozen=True, slots=True)
class Lock:
    """A lock of a maker's range: the cylinder type that it takes, and its measures in inches where known."""

    maker: str
    name: str
    series: str
    takes: str
    case: Fraction | None = None
    cam_depth: Fraction | None = None
    bore_min: Fraction | None = None
    bore_max: Fraction | None = None
    backsets: tuple[Fraction, ...] = ()


@dataclass(frozen=True, slots=True)
class Cam:
    """A cam, the lock series that it serves, and the locks of them that it does not: (lock name, reason)."""

    maker: str
    name: str
    part_number: str
    locks: tuple[str, ...]
    exceptions: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class CamAnswer:
    """Does this cam work this lock, and the sentence to show."""

    cam: Cam
    fits: bool
    words: str


def cams_for_lock(cams: Sequence[Cam], locks: Sequence[Lock], name: str) -> tuple[CamAnswer, ...]:
    """Every cam that serves the lock's series, those that fit first; an exception is an answer with its reason.

    The cam of another maker may work the lock too: ask of the lock's maker. BitternError when no lock has
    the name.
    """
    lock = next((each for each in locks if each.name.casefold() == name.strip().casefold()), None)
    if lock is None:
        raise BitternError("lock", f"There is no lock {quoted(name)} in the makers' tables.")
    answers = []
    for cam in cams:
        served = {each.casefold() for each in cam.locks}
        if served.isdisjoint((lock.series.casefold(), lock.name.casefold())):
            continue
        reason = next((why for which, why in cam.exceptions if which.casefold() == lock.name.casefold()), None)
        if reason is not None:
            words = f"The {cam.name} cam serves {lock.series} but not {lock.name}: {reason}"
            answers.append(CamAnswer(cam, False, words))
            continue
        others = ", ".join(which for which, _ in cam.exceptions)
        note = f" (it serves the series but not {others})" if others else ""
        answers.append(CamAnswer(cam, True, f"The {cam.name} cam works {lock.name}{note}."))
    return tuple(sorted(answers, key=lambda answer: not answer.fits))
