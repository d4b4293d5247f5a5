"""The Fit pages' answers about part numbers: what a text can be, what a maker calls it, what does its work."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from app.errors import BitternError
from app.fitting import (
    Candidate,
    CatalogItem,
    CylinderAttributes,
    FaceChange,
    KeyBlank,
    KeywayFamily,
    LockModel,
    Match,
    NumberReading,
    PartNumberError,
    TurnedLock,
    complete,
    compose_any,
    cylinder_for_lock,
    decode_any,
    face_change,
    find,
    find_blanks,
    find_by_blank,
    find_keyways,
    find_same_fit,
    likeliest_refusal,
    words,
)
from app.ledger.catalog.maker_papers import FoundPage, find_pages
from app.ledger.catalog.maker_queries import MakerTables, shelf
from app.ledger.quoting.resolving import worn_cylinder
from app.ledger.store import Session
from app.web.fitting import forms

Makers = Mapping[str, MakerTables]
MOST = 12
_NOTHING_SAID = CylinderAttributes("")
MOST_OF_A_MAKER = 5
MOST_OF_CATALOG, MOST_FURTHER = 60, 500
MOST_PAGES = 3


@dataclass(frozen=True, slots=True)
class Read:
    """One legal reading of a number: whose, piece by piece, and the item where it is in the catalog."""

    maker: str
    layout: NumberReading
    item: CatalogItem | None


@dataclass(frozen=True, slots=True)
class NumberAnswer:
    """All that a text can be: readings as a part number, or why it is none; blanks; keyways; items that are near.

    candidates: (maker, number) of all that it can be a worn piece of, the catalog first. pages: of makers' papers.
    """

    readings: tuple[Read, ...]
    refusal: PartNumberError | None
    blanks: tuple[KeyBlank, ...]
    by_blank: tuple[CatalogItem, ...]
    keyways: tuple[KeywayFamily, ...]
    matches: tuple[Match, ...]
    candidates: tuple[tuple[str, Candidate], ...] = ()
    pages: tuple[FoundPage, ...] = ()

    @property
    def first_candidates(self) -> tuple[tuple[str, Candidate], ...]:
        """Those to show at once: of the catalog, or as many as a glance takes in."""
        cataloged = sum(one.item is not None for _, one in self.candidates)
        return self.candidates[: max(min(cataloged, MOST_OF_CATALOG), MOST)]

    @property
    def further_candidates(self) -> tuple[tuple[str, Candidate], ...]:
        """Those to show besides, as many as anybody looks through."""
        begun = len(self.first_candidates)
        return self.candidates[begun : begun + MOST_FURTHER]


def answer_number(
    session: Session, makers: Makers, form: forms.NumberForm, wanted: CylinderAttributes = _NOTHING_SAID
) -> NumberAnswer | None:
    """What a text means; None while there is none. wanted: what else is known of the cylinder, so that of the numbers
    which a worn one can be those on its keyway come first, then those of its finish.
    """
    text = str(form.q.data or "")
    if not text:
        return None
    items = shelf(session)
    by_number = {(item.maker, item.part_number): item for item in items}
    readings: list[Read] = []
    refusals: list[PartNumberError] = []
    for maker in makers.values():
        try:
            found = decode_any(maker.patterns, text) if maker.patterns else []
        except PartNumberError as error:
            refusals.append(error)
            continue
        except BitternError:
            continue
        readings += [Read(maker.name, each, by_number.get((maker.name, each.part_number))) for each in found]
    blanks = find_blanks(blanks_of(makers), text)
    by_blank = find_by_blank(items, blanks_of(makers), text)[:MOST] if blanks else ()
    matches = () if readings or blanks else find(items, text, MOST)
    keyways = find_keyways([each for maker in makers.values() for each in maker.keyways], blanks_of(makers), text)
    refusal = None
    if refusals and not readings and not blanks and not keyways and _looks_like_a_number(text):
        refusal = likeliest_refusal(refusals, text)
    is_worn = refusal is not None and not (refusal.is_beginning and "?" not in text)
    worn = _candidates(makers, items, text, wanted) if is_worn else []
    pages = tuple(find_pages(session, text, limit=MOST_PAGES))
    return NumberAnswer(tuple(readings[:MOST]), refusal, blanks, by_blank, keyways, matches, tuple(worn), pages)


def _candidates(
    makers: Makers, items: Sequence[CatalogItem], text: str, wanted: CylinderAttributes
) -> list[tuple[str, Candidate]]:
    """Every maker's numbers that a worn one can be, the catalog's first."""
    found: list[tuple[str, Candidate]] = []
    for maker in makers.values():
        own = [item for item in items if item.maker == maker.name]
        try:
            found += [(maker.name, one) for one in complete(maker.patterns, own, text)]
        except BitternError:
            continue
    return sorted(found, key=lambda each: (each[1].item is None, *_unlike(each[1].attributes, wanted)))


def _unlike(own: CylinderAttributes | None, wanted: CylinderAttributes) -> tuple[bool, bool]:
    """Whether it is on another keyway than is wanted, and of another finish."""
    if own is None:
        return True, True
    return wanted.keyway not in (None, own.keyway), wanted.finish not in (None, own.finish)


def _looks_like_a_number(text: str) -> bool:
    return any(each.isdigit() for each in text) and not any(len(word) > 2 and word.isalpha() for word in text.split())


@dataclass(frozen=True, slots=True)
class Composed:
    """A maker's number for the attributes asked, laid out; or why it makes none."""

    maker: str
    layout: NumberReading | None
    item: CatalogItem | None
    refusal: str
    asks: tuple[str, ...] = ()  # what is to be asked before it is sold: another face, a cam that is not known
    notes: tuple[str, ...] = ()


def answer_compose(session: Session, makers: Makers, form: forms.ComposeForm) -> tuple[Composed, ...] | None:
    """The number with each maker (or the one chosen); those that make it first. With a lock named, its cam is one
    that the lock takes, or is asked for."""
    asked, lock = form.attributes(), find_lock(makers, form.lock.data)
    if lock is not None and not asked.type:
        asked = replace(asked, type=lock.takes)
    by_number = {(item.maker, item.part_number): item for item in shelf(session)}
    found = []
    for maker in makers.values():
        if form.maker.data not in (None, "", maker.code):
            continue
        try:
            turned = _for_lock(makers, lock, replace(asked, maker=maker.name))
            number = compose_any(maker.patterns, turned.cylinder)
            layout = decode_any(maker.patterns, number)[0]
        except BitternError as error:
            found.append(Composed(maker.name, None, None, error.message))
        else:
            item = by_number.get((maker.name, number))
            found.append(Composed(maker.name, layout, item, "", turned.asks, turned.notes))
    return tuple(sorted(found, key=lambda each: each.layout is None))


def _for_lock(makers: Makers, lock: LockModel | None, asked: CylinderAttributes) -> TurnedLock:
    """The cylinder with a cam that the lock takes; BitternError on `cam` where none is known to choose."""
    if lock is None:
        return TurnedLock(asked)
    turned = cylinder_for_lock([cam for maker in makers.values() for cam in maker.cams], lock, asked)
    if asked.type == "mortise" and lock.takes == "mortise" and not turned.cylinder.cam:
        raise BitternError("cam", f"Choose the cam. {turned.asks[-1]}")
    return turned


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
    by_maker: dict[str, list[CatalogItem]] = {}
    for item in shelf(session):
        if item.attributes is not None:
            by_maker.setdefault(item.maker, []).append(item)
    # Each maker has its say: a large catalog would leave no room for the others.
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
        worn = worn_cylinder({maker.code: maker} if maker else makers, str(form.number.data))
        return worn if worn is not None and worn.type else decoded(makers, str(form.number.data), maker)
    if not form.type.data:
        return None
    return form.attributes(named)


def decoded(makers: Makers, number: str, maker: MakerTables | None) -> CylinderAttributes:
    """What a number means with the maker named, or with the first that reads it; its refusal names `number`."""
    refusals: list[PartNumberError] = []
    reason = "No maker's part-number tables are on record yet."
    for each in [maker] if maker else makers.values():
        try:
            return decode_any(each.patterns, number)[0].attributes
        except PartNumberError as error:
            refusals.append(error)
        except BitternError as error:
            reason = error.message
    if refusals:
        reason = (refusals[0] if maker else likeliest_refusal(refusals, number)).message
    raise BitternError("number", reason)


def blanks_of(makers: Makers) -> list[KeyBlank]:
    """Every maker's key blanks."""
    return [blank for maker in makers.values() for blank in maker.blanks]


def locks_of(makers: Makers) -> list[LockModel]:
    """Every maker's locks."""
    return [lock for maker in makers.values() for lock in maker.locks]


def find_lock(makers: Makers, name: str | None) -> LockModel | None:
    """The lock of this name in any maker's table; None when there is none."""
    return next((lock for lock in locks_of(makers) if lock.name == name), None)
