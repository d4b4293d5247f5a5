"""The Fit pages' answers that are worked out from measures, or looked up, and what is drawn beside them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from app.errors import BitternError
from app.fitting import (
    BACKSET_IS_MEASURED,
    BoreFit,
    BoreQuestion,
    CamAnswer,
    CylinderAttributes,
    DoorPreparation,
    Finish,
    KeyAnswer,
    LengthFit,
    LengthQuestion,
    LockModel,
    MortiseBody,
    MortiseGoods,
    TailpieceFit,
    TailpieceQuestion,
    ThreadFit,
    all_finishes,
    ask_about_mortise_door,
    ask_about_stile,
    cams_for_lock,
    can_take_key,
    door_preparation,
    finish,
    finishes_named,
    fit_bore,
    fit_both_positions,
    fit_tailpiece,
    fit_thread,
    lengths_had,
    lock_items,
    mismatch_among,
    mortise_goods,
    rings_had,
    show_inches,
    tolerance,
    unlisted_lock,
    words,
)
from app.ledger.catalog.maker_queries import MakerTables, shelf
from app.ledger.store import Session
from app.web.fitting import forms
from app.web.fitting.for_quote import ForQuote, for_part, part_texts
from app.web.fitting.part_numbers import Makers, blanks_of, decoded, find_lock, locks_of

WHOSE_LOCK = (
    "Whose lock is it? Choose it, or enter its maker: the cam must be the lock's own, and a cylinder of another make "
    "changes the face that the customer sees."
)


@dataclass(frozen=True, slots=True)
class LengthSide:
    """One side of a mortise lock: the length that fits, the goods it comes to, and those ready for the quote: one of
    `ready` a cylinder of `goods`. elsewhere: which other makers have one long enough, where this one has none."""

    name: str
    fit: LengthFit
    goods: MortiseGoods
    ready: tuple[ForQuote, ...]
    elsewhere: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LengthAnswer:
    """Both cylinders of one mortise lock, with the measures that they were worked out from."""

    sides: tuple[LengthSide, LengthSide]
    question: LengthQuestion
    inside_trim: Fraction
    maker: str  # whose cylinders
    whose: str  # asks whose the lock is, "" where that is known
    asks: tuple[str, ...]  # what is to be asked of the cam and the face
    door_asks: tuple[str, ...]

    @property
    def tolerance(self) -> Fraction:
        """What is less than this counts as flush."""
        return tolerance()

    @property
    def preparation(self) -> DoorPreparation:
        """The preparation that most mortise cases are made for."""
        return door_preparation("86")

    @property
    def both(self) -> ForQuote | None:
        """Both sides for the quote in one press; None where one has nothing, or several to choose from."""
        ready = [side.ready[0] for side in self.sides if len(side.ready) == 1]
        if len(ready) < len(self.sides):
            return None
        return ForQuote("both cylinders", (*ready[0].lines, *ready[1].lines))


def answer_length(session: Session, makers: Makers, form: forms.LengthForm) -> LengthAnswer:
    """Length, ring and cam, outside and inside, by part number; the lock and the maker give what was not typed."""
    lock, maker = find_lock(makers, form.lock.data), makers.get(str(form.maker.data or ""))
    if lock is None and form.lock_maker.data:
        lock = unlisted_lock(str(form.lock_maker.data), "mortise")
    # Nobody said whose cylinders: the lock's own maker's, where that one makes any.
    likely = sorted(makers.values(), key=lambda each: lock is None or each.name != lock.maker)
    items = shelf(session)
    maker = maker or next((each for each in likely if lengths_had(each, items)), None)
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
        lengths=tuple(form.lengths.data or (lengths_had(maker, items) if maker else ())),
        rings=tuple(form.rings.data if form.rings.data is not None else (rings_had(maker, items) if maker else ())),
    )
    inside_trim = form.inside_trim.data or Fraction(0)
    sides = tuple(
        _side_of(session, makers, maker, lock, form, name, fit)
        for name, fit in zip(("Outside", "Inside"), fit_both_positions(question, inside_trim), strict=True)
    )
    return LengthAnswer(
        (sides[0], sides[1]),
        question,
        inside_trim,
        maker.name if maker else "",
        "" if lock else WHOSE_LOCK,
        tuple(dict.fromkeys(ask for side in sides for ask in side.goods.asks)),
        ask_about_mortise_door(question.door, str(form.material.data or ""), form.glass_stop.data),
    )


def _side_of(
    session: Session,
    makers: Makers,
    maker: MakerTables | None,
    lock: LockModel | None,
    form: forms.LengthForm,
    name: str,
    fit: LengthFit,
) -> LengthSide:
    """One side with its goods, each cylinder with ring and cam ready for the quote."""
    if maker is None:
        return LengthSide(name, fit, MortiseGoods(()), ())
    keyways = {each.name.casefold(): each.name for each in maker.keyways}
    typed, cams = str(form.keyway.data or ""), [cam for each in makers.values() for cam in each.cams]
    said = CylinderAttributes(
        "mortise",
        chambers=form.chambers.data,
        keyway=keyways.get(typed.casefold(), typed) or None,
        cam=form.cam.data or None,
        finish=form.finish.data or None,
    )
    items = shelf(session)
    goods = mortise_goods(maker, cams, items, lock, fit, said)
    elsewhere = []
    for other in makers.values() if fit.chosen is None else ():
        longer = [each for each in lengths_had(other, items) if each >= fit.required]
        elsewhere += [f"{other.name} has {show_inches(min(longer))} in."] if longer else []
    door = {
        "fit_lock": str(form.lock.data or ""),
        "fit_lock_maker": str(form.lock_maker.data or ""),
        "fit_door": form.door.typed or "",
        "fit_trim": form.outside_trim.typed or "",
        "fit_trim_in": form.inside_trim.typed or "",
        "fit_case": form.case.typed or "",
        "fit_cam_depth": form.cam_depth.typed or "",
        "fit_material": str(form.material.data or ""),
        "fit_stop": form.glass_stop.typed or "",
    }
    codes = {each.name: each.code for each in makers.values()}
    extra = [
        part_texts(codes[item.maker], item.part_number, remark=f"For {name.lower()} cylinder")
        for item in (goods.ring, goods.cam)
        if item
    ]
    remark = [name]
    if goods.ring_wanted and not goods.ring:
        remark.append(f"with a {show_inches(goods.ring_wanted)} in ring")
    ready = tuple(
        ForQuote(
            f"{' and '.join((each.part_number, *(line['part_number'] for line in extra)))} ({name.lower()})",
            (part_texts(maker.code, each.part_number, remark=", ".join(remark), **door), *extra),
        )
        for each in goods.cylinders
    )
    return LengthSide(name, fit, goods, ready, tuple(elsewhere))


def _or(typed: Fraction | None, known: Fraction | None, field: str, sentence: str) -> Fraction:
    found = typed if typed is not None else known
    if found is None:
        raise BitternError(field, sentence)
    return found


@dataclass(frozen=True, slots=True)
class LockReady:
    """A deadbolt with the backset that suits the stile, and its items ready for the quote."""

    lock: LockModel
    backset: Fraction
    ready: tuple[ForQuote, ...]


@dataclass(frozen=True, slots=True)
class BoreAnswer:
    """A deadbolt in its stile, with the measures that it was worked out from. `about`: whose backsets they are.

    own: the lock that was named, ready for the quote; None where none was, or it does not fit. others: those on
    record with a backset that centers, while no lock is named or the one named does not center.
    """

    fit: BoreFit
    question: BoreQuestion
    lock: LockModel | None
    about: str
    asks: tuple[str, ...]
    own: LockReady | None
    others: tuple[LockReady, ...]

    @property
    def measured(self) -> str:
        """Where backset is measured."""
        return BACKSET_IS_MEASURED


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
        glass_stop=form.glass_stop.data or Fraction(0),
    )
    fit = fit_bore(question)
    own = _lock_ready(session, makers, form, lock, fit.chosen) if lock and _goes_in(fit, question) else None
    others = [] if lock and fit.is_centered else [each for each in locks_of(makers) if each.backsets and each != lock]
    centered = []
    for other in others:
        asked = replace(question, backsets=other.backsets, bore_min=other.bore_min, bore_max=other.bore_max)
        if (found := fit_bore(asked)).is_centered and _goes_in(found, asked):
            centered.append(_lock_ready(session, makers, form, other, found.chosen))
    asks = ask_about_stile(str(form.material.data or ""), form.glass_stop.data)
    return BoreAnswer(fit, question, lock, about, asks, own, tuple(centered))


def _goes_in(fit: BoreFit, question: BoreQuestion) -> bool:
    """Whether the hole stays in the stile and the lock covers it; a hole too small can be opened up."""
    return fit.edge_left > 0 and (question.bore_max is None or question.bore <= question.bore_max)


def _lock_ready(
    session: Session, makers: Makers, form: forms.BoreForm, lock: LockModel, backset: Fraction
) -> LockReady:
    """The deadbolt's items with the backset to order; one that the catalog does not have goes on without a number."""
    code = next((each.code for each in makers.values() if each.name == lock.maker), "")
    stile, hole = show_inches(form.stile.data), show_inches(form.bore.data)
    more = {
        "remark": f"{lock.name}: backset {show_inches(backset)} in, hole {hole} in, stile {stile} in",
        "fit_lock": lock.name,
        "fit_stile": form.stile.typed or "",
        "fit_hole": form.bore.typed or hole,
        "fit_material": str(form.material.data or ""),
        "fit_stop": form.glass_stop.typed or "",
    }
    items = lock_items(shelf(session), lock)
    ready = tuple(for_part(code, item.part_number, **more) for item in items)
    return LockReady(lock, backset, ready or (ForQuote(lock.name, (part_texts(code, "", **more),)),))


def _backsets(lock: LockModel | None, typed: tuple[Fraction, ...]) -> tuple[tuple[Fraction, ...], str]:
    """The backsets to choose from, and whose they are: a lock that is named is had with its own and no others."""
    usual = forms.usual_backsets()
    if lock is None or not lock.backsets:
        named = f"No backsets of {lock.name} are on record" if lock else "No lock is named"
        what = "these are common backsets" if typed in ((), usual) else "the backsets are as typed"
        return typed or usual, f"{named}: {what}, to be checked against the lock before one is ordered."
    # What stands in the box at first is common practice: it was not typed to leave out what this lock has besides.
    wanted = lock.backsets if typed in ((), usual) else tuple(each for each in lock.backsets if each in typed)
    shown = [show_inches(each) for each in sorted(lock.backsets)]
    had = " and ".join(filter(None, (", ".join(shown[:-1]), shown[-1])))
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
