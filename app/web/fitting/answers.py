"""The answers of the Fit pages: each a frozen value for its piece of the page."""

from __future__ import annotations

__all__ = [
    "NumberAnswer",
    "answer_bore",
    "answer_cam",
    "answer_compose",
    "answer_finishes",
    "answer_key",
    "answer_length",
    "answer_number",
    "answer_swap",
    "answer_tailpiece",
    "answer_thread",
    "find_lock",
]

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from sqlalchemy.orm import Session

from app.errors import BitternError
from app.fitting import (
    BoreFit,
    BoreQuestion,
    Breakdown,
    CamAnswer,
    CatalogueItem,
    CylinderAttributes,
    FaceChange,
    Finish,
    KeyAnswer,
    KeyBlank,
    KeywayFamily,
    LengthFit,
    LengthQuestion,
    Lock,
    Match,
    MortiseBody,
    PartNumberError,
    TailpieceFit,
    TailpieceQuestion,
    ThreadFit,
    breakdown,
    cams_for_lock,
    can_take_key,
    compose_any,
    decode_any,
    face_change,
    find,
    find_blanks,
    find_by_blank,
    find_keyways,
    find_same_fit,
    finish,
    finishes,
    finishes_by_us_code,
    fit_bore,
    fit_length,
    fit_tailpiece,
    fit_thread,
    mismatch_among,
    words,
)
from app.ledger.makers.queries import MakerTables
from app.ledger.makers.shelf import shelf
from app.web.fitting import forms

MOST = 12
MOST_OF_A_MAKER = 5
Makers = Mapping[str, MakerTables]


@dataclass(frozen=True, slots=True)
class Read:
    """One legal reading of a number: whose, laid out, what to know, and the item where it is in the catalogue."""

    maker: str
    layout: Breakdown
    warnings: tuple[str, ...]
    item: CatalogueItem | None


@dataclass(frozen=True, slots=True)
class NumberAnswer:
    """All that a text can be: readings as a part number, or why it is none; blanks; keyways; items that are near."""

    readings: tuple[Read, ...]
    refusal: PartNumberError | None
    refused_by: str
    blanks: tuple[KeyBlank, ...]
    by_blank: tuple[CatalogueItem, ...]
    keyways: tuple[KeywayFamily, ...]
    matches: tuple[Match, ...]


def answer_number(session: Session, makers: Makers, form: forms.NumberForm) -> NumberAnswer | None:
    """What a text means; None while there is none."""
    text = str(form.q.data or "")
    if not text:
        return None
    items = shelf(session)
    by_number = {(item.maker, item.part_number): item for item in items}
    readings: list[Read] = []
    refusals: list[tuple[PartNumberError, str]] = []
    for maker in makers.values():
        try:
            found = decode_any(maker.patterns, text) if maker.patterns else []
        except PartNumberError as error:
            refusals.append((error, maker.name))
            continue
        except BitternError:
            continue
        readings += [
            Read(maker.name, breakdown(each), each.warnings, by_number.get((maker.name, each.part_number)))
            for each in found
        ]
    blanks = find_blanks(_blanks(makers), text)
    by_blank = find_by_blank(items, _blanks(makers), text)[:MOST] if blanks else ()
    matches = () if readings or blanks else find(items, text, MOST)
    keyways = find_keyways([each for maker in makers.values() for each in maker.families], _blanks(makers), text)
    refusal, who = (None, "")
    if not readings and not blanks and not keyways and _looks_like_a_number(text):
        refusal, who = min(refusals, key=lambda each: _apart(text, each[0]), default=(None, ""))
    return NumberAnswer(tuple(readings[:MOST]), refusal, who, blanks, by_blank, keyways, matches)


def _looks_like_a_number(text: str) -> bool:
    return any(each.isdigit() for each in text) and not any(len(word) > 2 and word.isalpha() for word in text.split())


def _apart(text: str, error: PartNumberError) -> int:
    """How far the nearest legal number is, roughly: letters that do not stand at the same place."""
    if error.is_beginning:
        return -1
    if error.nearest is None:
        return 10**6
    typed = text.upper().replace(" ", "")
    same = sum(one == other for one, other in zip(typed, error.nearest, strict=False))
    return max(len(typed), len(error.nearest)) - same


def _blanks(makers: Makers) -> list[KeyBlank]:
    return [blank for maker in makers.values() for blank in maker.blanks]


def _locks(makers: Makers) -> list[Lock]:
    return [lock for maker in makers.values() for lock in maker.locks]


def find_lock(makers: Makers, name: str | None) -> Lock | None:
    """The lock of this name in any maker's table; None when there is none."""
    return next((lock for lock in _locks(makers) if lock.name == name), None)


@dataclass(frozen=True, slots=True)
class Composed:
    """A maker's number for the attributes asked, laid out; or why it makes none."""

    maker: str
    layout: Breakdown | None
    item: CatalogueItem | None
    refusal: str


def answer_compose(session: Session, makers: Makers, form: forms.ComposeForm) -> tuple[Composed, ...] | None:
    """The number with each maker (or the one chosen); those that make it first."""
    asked = form.attributes()
    by_number = {(item.maker, item.part_number): item for item in shelf(session)}
    found = []
    for maker in makers.values():
        if form.maker.data not in (None, "", maker.code):
            continue
        try:
            number = compose_any(maker.patterns, replace(asked, maker=maker.name))
            layout = breakdown(decode_any(maker.patterns, number)[0])
        except BitternError as error:
            found.append(Composed(maker.name, None, None, error.message))
        else:
            found.append(Composed(maker.name, layout, by_number.get((maker.name, number)), ""))
    return tuple(sorted(found, key=lambda each: each.layout is None))


@dataclass(frozen=True, slots=True)
class Swap:
    """An item that would do the old one's work, and what of the face changes."""

    match: Match
    face: FaceChange


@dataclass(frozen=True, slots=True)
class SwapAnswer:
    """The old cylinder in words, and what would do its work, of other makers first named."""

    old: CylinderAttributes
    words: str
    swaps: tuple[Swap, ...]


def answer_swap(session: Session, makers: Makers, form: forms.SwapForm) -> SwapAnswer | None:
    """The same fit from any maker, nearest and stocked first."""
    old = _old(makers, form)
    if old is None:
        return None
    by_maker: dict[str, list[CatalogueItem]] = {}
    for item in shelf(session):
        if item.attributes is not None:
            by_maker.setdefault(item.maker, []).append(item)
    # Each maker has its say: a large catalogue would leave no room for the others.
    matches = [match for items in by_maker.values() for match in find_same_fit(items, old, MOST_OF_A_MAKER)]
    matches.sort(key=lambda match: (match.distance, not match.item.stocked, _is_bare(match), match.item.list_cents))
    swaps = []
    for match in matches:
        offered = match.item.attributes
        if offered is not None:
            swaps.append(Swap(match, face_change(old, replace(offered, maker=match.item.maker))))
    return SwapAnswer(old, words(old), tuple(swaps[:MOST]))


def _is_bare(match: Match) -> bool:
    """Whether it comes uncombinated or zero-bitted: it fits, but is seldom what a customer at the counter wants."""
    return match.item.attributes is not None and match.item.attributes.keying is not None


def _old(makers: Makers, form: forms.SwapForm) -> CylinderAttributes | None:
    maker = makers.get(str(form.maker.data or ""))
    named = maker.name if maker else ""
    if form.number.data:
        return _decoded(makers, str(form.number.data), maker)
    if not form.type.data:
        return None
    return form.attributes(named)


def _decoded(makers: Makers, number: str, maker: MakerTables | None) -> CylinderAttributes:
    """What a number means with the maker named, or with the first that reads it; its refusal names `number`."""
    refusals = []
    for each in [maker] if maker else makers.values():
        try:
            return decode_any(each.patterns, number)[0].attributes
        except BitternError as error:
            refusals.append(error)
    if not refusals:
        raise BitternError("number", "No maker's part-number tables are on record yet.")
    best = min(refusals, key=lambda each: _apart(number, each) if isinstance(each, PartNumberError) else 10**6)
    raise BitternError("number", best.message)


@dataclass(frozen=True, slots=True)
class LengthAnswer:
    """Both cylinders of one mortise lock, with the measures that they were worked out from."""

    outside: LengthFit
    inside: LengthFit
    question: LengthQuestion
    inside_trim: Fraction
    lock: Lock | None


def answer_length(session: Session, makers: Makers, form: forms.LengthForm) -> LengthAnswer:
    """Length and ring, outside and inside; the lock and the maker give what was not typed."""
    lock, maker = find_lock(makers, form.lock.data), makers.get(str(form.maker.data or ""))
    maker = maker or next((each for each in makers.values() if each.lengths), None)
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
    return LengthAnswer(outside, fit_length(replace(question, trim=inside_trim)), question, inside_trim, lock)


def _or(typed: Fraction | None, known: Fraction | None, field: str, sentence: str) -> Fraction:
    found = typed if typed is not None else known
    if found is None:
        raise BitternError(field, sentence)
    return found


@dataclass(frozen=True, slots=True)
class BoreAnswer:
    """A deadbolt in its stile, with the measures that it was worked out from."""

    fit: BoreFit
    question: BoreQuestion
    lock: Lock | None


def answer_bore(session: Session, makers: Makers, form: forms.BoreForm) -> BoreAnswer:
    """The backset nearest the middle of the stile, and what is left of the stile."""
    lock = find_lock(makers, form.lock.data)
    typed_least, typed_most = form.bore_min.data, form.bore_max.data
    question = BoreQuestion(
        stile=form.stile.data,
        backsets=tuple(form.backsets.data or (lock.backsets if lock else ())),
        bore=form.bore.data,
        bore_min=typed_least if typed_least is not None or lock is None else lock.bore_min,
        bore_max=typed_most if typed_most is not None or lock is None else lock.bore_max,
    )
    return BoreAnswer(fit_bore(question), question, lock)


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


def answer_cam(session: Session, makers: Makers, form: forms.CamForm) -> tuple[CamAnswer, ...]:
    """Every cam that serves the lock or its series, those that fit first."""
    cams = [cam for maker in makers.values() for cam in maker.cams]
    return cams_for_lock(cams, _locks(makers), str(form.lock.data or ""))


def answer_key(session: Session, makers: Makers, form: forms.KeyForm) -> tuple[KeyAnswer, str] | None:
    """Whether a cylinder can be keyed to the customer's key, and the cylinder in words."""
    if not form.blank.data:
        return None
    maker = makers.get(str(form.maker.data or ""))
    if form.number.data:
        cylinder = _decoded(makers, str(form.number.data), maker)
    else:
        cylinder = CylinderAttributes(
            "", chambers=form.chambers.data, keyway=form.keyway.data or None, maker=maker.name if maker else ""
        )
    return can_take_key(cylinder, str(form.blank.data), form.cuts.data, _blanks(makers)), words(cylinder)


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
            asked[typed.upper()] = finishes_by_us_code(typed) or (finish(typed),)
        except BitternError as error:
            raise BitternError("codes", error.message) from error
    own: dict[str, list[tuple[str, str]]] = {each.code: [] for each in finishes()}
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
