"""Cams and the locks they serve: the cam belongs to the lock, and 'almost all' is not 'all'."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from app.errors import BitternError
from app.validation import quoted


@dataclass(frozen=True, slots=True)
class LockModel:
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


def cams_for_lock(cams: Sequence[Cam], locks: Sequence[LockModel], name: str) -> tuple[CamAnswer, ...]:
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


@dataclass(frozen=True, slots=True)
class CamChoice:
    """The cam of a cylinder's maker for a lock. cam: its name, "" where none is known to work.

    words: what to say of it, exceptions included. is_wrong: another cam of the same maker is known to work, not the
    one that was asked for. `cam` and not is_wrong: the lock takes it. Else whether any works has to be asked.
    """

    cam: str
    words: str
    is_wrong: bool = False


def cam_for(cams: Sequence[Cam], lock: LockModel, maker: str, wanted: str = "") -> CamChoice:
    """The cam to put on a cylinder of `maker` for the lock: the one wanted, or the first that the lock takes.

    `cams`: of all makers; what the cylinder's maker has no row for is not known.

    >>> lock = LockModel("Ardent Brass", "Ferry 43", "Ferry", "mortise")
    >>> long = Cam("Ardent Brass", "long", "AC-12", ("Ferry",))
    >>> cam_for([long], lock, "Ardent Brass").cam, cam_for([long], lock, "Ardent Brass", "hooked").is_wrong
    ('long', True)
    >>> cam_for([long], lock, "Pell & Rowe").words
    "The cam of Pell & Rowe that works Ferry 43 is not known: Ardent Brass's own for this lock is long (AC-12)."
    """
    answers = cams_for_lock(cams, [lock], lock.name)
    own = [each for each in answers if each.cam.maker.casefold() == maker.casefold()]
    works = [each for each in own if each.fits]
    asked = next((each for each in own if each.cam.name.casefold() == wanted.casefold()), None) if wanted else None
    if works and (not wanted or (asked is not None and asked.fits)):
        found = asked or works[0]
        return CamChoice(found.cam.name, found.words)
    if works:
        no = asked.words if asked else f"The {wanted} cam of {maker} is not made for {lock.name}."
        takes = " or ".join(each.cam.name for each in works)
        return CamChoice(works[0].cam.name, f"{no} It takes the {takes} cam.", is_wrong=True)
    why = f"{(asked or own[0]).words} " if own else ""
    others = [each.cam for each in answers if each.fits and each not in own]
    theirs = " or ".join(f"{each.name} ({each.part_number})" for each in others)
    known = f"{others[0].maker}'s own for this lock is {theirs}" if others else f"ask {lock.maker} for the lock's own"
    return CamChoice("", f"{why}The cam of {maker} that works {lock.name} is not known: {known}.")
