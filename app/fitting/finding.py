"""Finding items: by part number, by attributes, by what a customer says or by the customer's key."""

import heapq
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from app.errors import BitternError
from app.fitting.catalog import CatalogItem
from app.fitting.cylinder import ATTRIBUTES, CylinderAttributes, attribute_texts
from app.fitting.free_text import FreeText, read_free_text
from app.fitting.keyways import KeyBlank, find_blanks
from app.validation import quoted

# How much it matters to a customer that an attribute differs; the keyway decides whether the old key works.
_WEIGHTS = {
    "keyway": 6,
    "length": 4,
    "chambers": 4,
    "finish": 3,
    "drilled": 1,
    "cam": 2,
    "tailpiece": 2,
    "keying": 1,
}
# Where one cylinder does another's work, the customer's key has to enter it and its finish to match: nothing else
# makes up for either.
_SAME_FIT = {**_WEIGHTS, "keyway": 60, "finish": 30}
_MAKER_WEIGHT = 5
_UNASKED_KEYING = 1  # zero-bitted is what a shop buys to key, seldom what a customer wants
_WORD_WEIGHT = 2
LONGEST_QUERY = 200
_NO_PUNCTUATION = str.maketrans("", "", "-./_ :+,;'#*()")


@dataclass(frozen=True, slots=True)
class Match:
    """An item that was found, how near it is (0 is exact, larger is farther) and what would differ."""

    item: CatalogItem
    distance: int
    differs: tuple[str, ...]


class _WantedPart:
    """What is looked for, taken apart once, since it is held against every item of the catalog."""

    def __init__(self, spoken: FreeText, number: str, weights: Mapping[str, int] = _WEIGHTS) -> None:
        self.number = number
        self.spoken = spoken
        self.type = spoken.attributes.type
        self.maker = spoken.attributes.maker.casefold()
        named = [(name, getattr(spoken.attributes, name)) for name in ATTRIBUTES if name != "type"]
        self.weights = weights
        self.wanted = [(name, value, weights[name]) for name, value in named if value not in (None, "")]
        # One US code or name can stand for several finishes; any of them will do.
        self.finishes = spoken.finishes if len(spoken.finishes) > 1 else ()
        self.said = bool(self.type) + len(self.wanted) + bool(self.finishes) + len(spoken.words) + bool(self.maker)

    def distance(self, item: CatalogItem) -> int | None:
        """How far the item is from what is looked for; None when it is no match."""
        if len(self.number) > 1:
            own = item.part_number.casefold().translate(_NO_PUNCTUATION)
            if own.startswith(self.number):
                return 0 if own == self.number else 1
        offered = item.attributes
        if offered is None:
            words = self.spoken.all_words
            # Hardware and blanks have a description only: every word must stand in it.
            if not words or _absent(words, item.description):
                return None
            return 0 if self._is_of_maker(item) else _MAKER_WEIGHT
        if not self.said or (self.type and offered.type != self.type):
            return None
        unmet = distance = 0
        for name, value, weight in self.wanted:
            if getattr(offered, name) != value:
                unmet += 1
                distance += weight
        if self.finishes and offered.finish not in self.finishes:
            unmet += 1
            distance += self.weights["finish"]
        if self.spoken.words:
            absent = len(_absent(self.spoken.words, item.description))
            unmet += absent
            distance += _WORD_WEIGHT * absent
        if not self._is_of_maker(item):
            unmet += 1
            distance += _MAKER_WEIGHT
        if unmet >= self.said:
            return None
        return distance + (_UNASKED_KEYING if offered.keying and not self.spoken.attributes.keying else 0)

    def _is_of_maker(self, item: CatalogItem) -> bool:
        return not self.maker or self.maker == item.maker.casefold()

    def _other_maker(self, item: CatalogItem) -> str:
        return f"maker {item.maker} instead of {self.spoken.attributes.maker}"

    def differs(self, item: CatalogItem) -> tuple[str, ...]:
        """What would differ if this matching item were sold, a short phrase each."""
        offered = item.attributes
        own = item.part_number.casefold().translate(_NO_PUNCTUATION)
        if len(self.number) > 1 and own.startswith(self.number):
            return () if own == self.number else ("its part number goes on",)
        if offered is None:
            return () if self._is_of_maker(item) else (self._other_maker(item),)
        has, asked = attribute_texts(offered), attribute_texts(self.spoken.attributes)
        said = [
            f"{name} {has.get(name, 'none')} instead of {value}"
            for name, value in asked.items()
            if has.get(name) != value
        ]
        if self.finishes and offered.finish not in self.finishes:
            said.append(f"finish {offered.finish or 'none'} instead of {' or '.join(self.finishes)}")
        if not self._is_of_maker(item):
            said.append(self._other_maker(item))
        if offered.keying and not self.spoken.attributes.keying:
            said.append(f"comes {offered.keying}")
        said.extend(f"nothing says '{word}'" for word in _absent(self.spoken.words, item.description))
        return tuple(said)


def _absent(words: Sequence[str], description: str) -> tuple[str, ...]:
    """The words that do not stand in the description; a plural s makes no difference."""
    described = set(re.findall(r"[^\s,;]+", description.casefold()))
    described |= {word.removesuffix("s") for word in described}
    return tuple(word for word in words if word not in described and word.removesuffix("s") not in described)


def find(items: Iterable[CatalogItem], query: str | CylinderAttributes, limit: int = 20) -> tuple[Match, ...]:
    """The nearest items, at most `limit`: by how much differs, stocked first among equals, then by list price.

    Text is tried as a part number (or its beginning) and as what a customer says ('1-1/4 rim satin chrome,
    six pin'). Items of another type than the one asked for never match, nor do those with nothing in common.
    BitternError for `query` when the text is too long.
    """
    listed = list(items)
    if isinstance(query, CylinderAttributes):
        question = _WantedPart(FreeText(query, (query.finish,) if query.finish else (), (), ()), "")
    else:
        if len(query) > LONGEST_QUERY:
            raise BitternError("query", f"Search with at most {LONGEST_QUERY} characters.")
        spoken = read_free_text(
            query,
            _names(each.attributes.keyway for each in listed if each.attributes),
            _names(each.maker for each in listed),
            _names(each.attributes.keying for each in listed if each.attributes),
        )
        question = _WantedPart(spoken, query.casefold().translate(_NO_PUNCTUATION))
    return _nearest(listed, question, limit)


def _nearest(items: Iterable[CatalogItem], question: _WantedPart, limit: int) -> tuple[Match, ...]:
    near = ((question.distance(item), item) for item in items)
    ranked = heapq.nsmallest(
        limit, ((distance, *_shelf(item), item) for distance, item in near if distance is not None), key=_rank
    )
    return tuple(Match(each[-1], each[0], question.differs(each[-1])) for each in ranked)


def _names(given: Iterable[str | None]) -> list[str]:
    """Each name once, the longest first, so that a part of one is not taken for another."""
    return sorted({name for name in given if name}, key=lambda name: (-len(name), name))


Ranked = tuple[int, bool, int, str, CatalogItem]


def _rank(each: Ranked) -> tuple[int, bool, int, str]:
    return each[:4]


def find_same_fit(items: Iterable[CatalogItem], old: CylinderAttributes, limit: int = 20) -> tuple[Match, ...]:
    """Cylinders of any maker that do the old one's work: same keyway first, then same finish, then the nearest by
    length, chambers and cam; stocked first among equals.

    The maker does not count against an item, but what would differ says it. Ask `face_change` about the face and
    `can_take_key` about the key.
    """
    fit = replace(old, maker="", keying=None)
    question = _WantedPart(FreeText(fit, (fit.finish,) if fit.finish else (), (), ()), "", _SAME_FIT)
    matches = []
    for match in _nearest(items, question, limit):
        offered = match.item.attributes
        differs = list(match.differs)
        if offered and offered.keying and offered.keying == old.keying:
            differs.remove(f"comes {offered.keying}")
        if old.maker and match.item.maker.casefold() != old.maker.casefold():
            differs.append(f"maker {match.item.maker} instead of {old.maker}")
        matches.append(replace(match, differs=tuple(differs)))
    return tuple(matches)


def find_by_blank(items: Iterable[CatalogItem], blanks: Sequence[KeyBlank], number: str) -> tuple[CatalogItem, ...]:
    """Items for a customer's key: the blank itself under every maker's number, then the cylinders whose
    keyway it enters and whose pinned chambers it is long enough for; stocked first within each, and the kinds of
    cylinder in turn, so that a short list shows something of each.

    BitternError when no maker's table has the blank.
    """
    found = find_blanks(blanks, number)
    if not found:
        raise BitternError("blank", f"No maker's table has the key blank {quoted(number)}.")
    longest: dict[str, int] = {}
    for blank in found:
        for keyway in blank.keyways:
            longest[keyway] = max(blank.chambers, longest.get(keyway, 0))
    numbers = {(blank.maker, blank.number) for blank in found}
    own, cylinders = [], []
    for item in items:
        attributes = item.attributes
        if (item.maker, item.part_number) in numbers:
            own.append(item)
        elif attributes and attributes.keyway in longest and (attributes.chambers or 0) <= longest[attributes.keyway]:
            cylinders.append(item)
    return (*sorted(own, key=_shelf), *_in_turn(sorted(cylinders, key=_shelf)))


def _in_turn(items: Sequence[CatalogItem]) -> list[CatalogItem]:
    """The items with the first of each maker and type before the second of any, stocked before the others."""
    met: dict[tuple[bool, str, str], int] = {}
    turns = []
    for item in items:
        kind = (item.stocked, item.maker, item.attributes.type if item.attributes else "")
        met[kind] = met.get(kind, 0) + 1
        turns.append((not item.stocked, met[kind]))
    order = sorted(range(len(items)), key=lambda place: turns[place])
    return [items[place] for place in order]


def _shelf(item: CatalogItem) -> tuple[bool, int, str]:
    return (not item.stocked, item.list_cents, item.part_number)
