"""The Fit pages' answers that are worked out from measures, or looked up, and what is drawn beside them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from app.errors import BitternError
from app.fitting import (
    BoreFit,
    BoreQuestion,
    CamAnswer,
    CylinderAttributes,
    Finish,
    KeyAnswer,
    LengthFit,
    LengthQuestion,
    LockModel,
    MortiseBody,
    TailpieceFit,
    TailpieceQuestion,
    ThreadFit,
    all_finishes,
    cams_for_lock,
    can_take_key,
    face_on_lock,
    finish,
    finishes_named,
    fit_bore,
    fit_both_positions,
    fit_tailpiece,
    fit_thread,
    mismatch_among,
    show_inches,
    tolerance,
    words,
)
from app.ledger.store import Session
from app.web.fitting import forms
from app.web.fitting.part_numbers import Makers, blanks_of, decoded, find_lock, locks_of

_MOST_DRAWN = 64 * 40  # what is larger is not drawn to scale


@dataclass(frozen=True, slots=True)
class LengthAnswer:
    """Both cylinders of one mortise lock, with the measures that they were worked out from."""

    outside: LengthFit
    inside: LengthFit
    question: LengthQuestion
    inside_trim: Fraction
    lock: LockModel | None
    asks: str  # what is to be asked where lock and cylinders are of different makers

    @property
    def tolerance(self) -> Fraction:
        """What is less than this counts as flush."""
        return tolerance()


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
    outside, inside = fit_both_positions(question, inside_trim)
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
    question = TailpieceQuestion(**form.data | {"trim": form.trim.data or Fraction(0)})
    return fit_tailpiece(question), question


def answer_thread(session: Session, makers: Makers, form: forms.ThreadForm) -> ThreadFit:
    """Whether a threaded body goes into the lock's hole."""
    return fit_thread(
        MortiseBody(form.cylinder_diameter.data, form.cylinder_threads.data),
        MortiseBody(form.lock_diameter.data, form.lock_threads.data),
    )


def answer_cam(session: Session, makers: Makers, form: forms.CamForm) -> tuple[CamAnswer, ...]:
    """Every cam that serves the lock or its series, those that fit first."""
    cams = [cam for maker in makers.values() for cam in maker.cams]
    return cams_for_lock(cams, locks_of(makers), str(form.lock.data or ""))


def answer_key(session: Session, makers: Makers, form: forms.KeyForm) -> tuple[KeyAnswer, str] | None:
    """Whether a cylinder can be keyed to the customer's key, and the cylinder in words."""
    if not form.blank.data:
        return None
    maker = makers.get(str(form.maker.data or ""))
    if form.number.data:
        cylinder = decoded(makers, str(form.number.data), maker)
    else:
        cylinder = CylinderAttributes(
            "", chambers=form.chambers.data, keyway=form.keyway.data or None, maker=maker.name if maker else ""
        )
    return can_take_key(cylinder, str(form.blank.data), form.cuts.data, blanks_of(makers)), words(cylinder)


@dataclass(frozen=True, slots=True)
class FinishAnswer:
    """The finishes that were asked for and how many were, what does not match on one door, which US codes leave
    the number open, and the makers' own codes by number."""

    asked: tuple[Finish, ...]
    count: int
    warnings: tuple[str, ...]
    open_codes: tuple[str, ...]
    own_codes: Mapping[str, Sequence[tuple[str, str]]]


def answer_finishes(session: Session, makers: Makers, form: forms.FinishForm) -> FinishAnswer:
    """Finishes by BHMA number or US code, and whether they match on one door."""
    asked: dict[str, tuple[Finish, ...]] = {}
    for typed in filter(None, (each.strip() for each in str(form.codes.data or "").split(","))):
        try:
            asked[typed] = finishes_named(typed) or (finish(typed),)
        except BitternError as error:
            raise BitternError("codes", error.message) from error
    own: dict[str, list[tuple[str, str]]] = {each.code: [] for each in all_finishes()}
    for maker in makers.values():
        for pattern in maker.patterns:
            for segment in pattern.segments:
                for code in segment.codes:
                    number = dict(code.sets).get("finish")
                    if number in own and (maker.name, code.code) not in own[number]:
                        own[number].append((maker.name, code.code))
    open_codes = tuple(
        f"{typed} can be {' or '.join(each.words for each in meant)}: the base metal decides."
        for typed, meant in asked.items()
        if len(meant) > 1
    )
    shown = tuple(dict.fromkeys(each for meant in asked.values() for each in meant))
    warnings = mismatch_among([[each.code for each in meant] for meant in asked.values()])
    return FinishAnswer(shown, len(asked), warnings, open_codes, own)


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
    outside = _side(answer.outside, door, answer.question.trim)
    inside = _side(answer.inside, door, answer.inside_trim)
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


def draw_bore(answer: BoreAnswer) -> BoreDrawing:
    """The stile for a deadbolt answer."""
    fit, question = answer.fit, answer.question
    radius = _units(question.bore / 2)
    return BoreDrawing(
        _units(question.stile), _units(fit.centered_backset), _units(fit.chosen), radius, max(radius // 3, 6)
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
