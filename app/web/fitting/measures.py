"""The Fit pages' answers that are worked out from measures, with the measures that each was worked out from."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

from app.errors import BitternError
from app.fitting import (
    BoreFit,
    BoreQuestion,
    LengthFit,
    LengthQuestion,
    LockModel,
    MortiseBody,
    TailpieceFit,
    TailpieceQuestion,
    ThreadFit,
    face_on_lock,
    fit_bore,
    fit_length,
    fit_tailpiece,
    fit_thread,
    show_inches,
)
from app.ledger.store import Session
from app.web.fitting import forms
from app.web.fitting.tables import Makers, find_lock


@dataclass(frozen=True, slots=True)
class LengthAnswer:
    """Both cylinders of one mortise lock, with the measures that they were worked out from."""

    outside: LengthFit
    inside: LengthFit
    question: LengthQuestion
    inside_trim: Fraction
    lock: LockModel | None
    asks: str  # what is to be asked where lock and cylinders are of different makers


def answer_length(session: Session, makers: Makers, form: forms.LengthForm) -> LengthAnswer:
    """Length and ring, outside and inside; the lock and the maker give what was not typed."""
    lock, maker = find_lock(makers, form.lock.data), makers.get(str(form.maker.data or ""))
    # Nobody said whose cylinders: the lock's own maker's, where that one makes any.
    likely = sorted(makers.values(), key=lambda each: lock is None or each.name != lock.maker)
    maker = maker or next((each for each in likely if each.lengths), None)
    question = LengthQuestion(
        door=form.door.data,
        case=_or(form.case.data, lock.case if lock else None, "case", "Enter the case, or choose a lock."),
        trim=form.outside_trim.data or Fraction(0),
        cam_depth=_or(
            form.cam_depth.data,
            lock.cam_depth if lock else None,
            "cam_depth",
            "Enter the depth from the case's face to the back of the cam, or choose a lock.",
        ),
        lengths=tuple(form.lengths.data or (maker.lengths if maker else ())),
        rings=tuple(form.rings.data if form.rings.data is not None else (maker.rings if maker else ())),
    )
    inside_trim = form.inside_trim.data or Fraction(0)
    outside = fit_length(question)
    inside = fit_length(replace(question, trim=inside_trim))
    asks = face_on_lock(lock.maker, maker.name) if lock and maker else ""
    if asks:
        asks += " The cam must be one that the lock takes."
    return LengthAnswer(outside, inside, question, inside_trim, lock, asks)


def _or(typed: Fraction | None, known: Fraction | None, field: str, sentence: str) -> Fraction:
    found = typed if typed is not None else known
    if found is None:
        raise BitternError(field, sentence)
    return found


@dataclass(frozen=True, slots=True)
class BoreAnswer:
    """A deadbolt in its stile, with the measures that it was worked out from. `about`: whose backsets they are."""

    fit: BoreFit
    question: BoreQuestion
    lock: LockModel | None
    about: str


def answer_bore(session: Session, makers: Makers, form: forms.BoreForm) -> BoreAnswer:
    """The backset nearest the middle of the stile, and what is left of the stile."""
    lock = find_lock(makers, form.lock.data)
    backsets, about = _backsets(lock, tuple(form.backsets.data or ()))
    typed_least, typed_most = form.bore_min.data, form.bore_max.data
    question = BoreQuestion(
        stile=form.stile.data,
        backsets=backsets,
        bore=form.bore.data,
        bore_min=typed_least if typed_least is not None or lock is None else lock.bore_min,
        bore_max=typed_most if typed_most is not None or lock is None else lock.bore_max,
    )
    return BoreAnswer(fit_bore(question), question, lock, about)


def _backsets(lock: LockModel | None, typed: tuple[Fraction, ...]) -> tuple[tuple[Fraction, ...], str]:
    """The backsets to choose from, and whose they are: a lock that is named is had with its own and no others."""
    usual = forms.usual_backsets()
    if lock is None or not lock.backsets:
        named = f"No backsets of {lock.name} are on record" if lock else "No lock is named"
        what = "these are common backsets" if typed in ((), usual) else "the backsets are as typed"
        return typed or usual, f"{named}: {what}, to be checked against the lock before one is ordered."
    # What stands in the box at first is common practice: it was not typed to leave out what this lock has besides.
    wanted = lock.backsets if typed in ((), usual) else tuple(each for each in lock.backsets if each in typed)
    had = " and ".join(show_inches(each) for each in sorted(lock.backsets))
    if not wanted:
        raise BitternError("backsets", f"{lock.name} has none of these: it is had with a backset of {had} in.")
    missing = " or ".join(show_inches(each) for each in typed if each not in lock.backsets)
    without = f", not of {missing} in" if missing else ""
    return wanted, f"{lock.name} is had with a backset of {had} in{without}."


def answer_tailpiece(
    session: Session, makers: Makers, form: forms.TailpieceForm
) -> tuple[TailpieceFit, TailpieceQuestion]:
    """Where a rim cylinder's tailpiece is cut."""
    question = TailpieceQuestion(
        form.door.data,
        form.length.data,
        form.trim.data or Fraction(0),
        form.reach_least.data,
        form.reach_most.data,
        form.supplied.data,
        form.notch.data,
    )
    return fit_tailpiece(question), question


def answer_thread(session: Session, makers: Makers, form: forms.ThreadForm) -> ThreadFit:
    """Whether a threaded body goes into the lock's hole."""
    return fit_thread(
        MortiseBody(form.cylinder_diameter.data, form.cylinder_threads.data),
        MortiseBody(form.lock_diameter.data, form.lock_threads.data),
    )
