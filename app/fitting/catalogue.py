"""Catalogue items and finding them: by part number, by attributes or by what a customer says."""

from __future__ import annotations

__all__ = ["CATEGORIES", "CatalogueItem", "Match", "find", "find_by_blank", "find_same_fit", "read_item"]

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from app.errors import BitternError
from app.fitting.cylinder import CylinderAttributes, attribute_texts
from app.fitting.given import as_object, as_text, as_whole, quoted
from app.fitting.keyways import KeyBlank, find_blanks
from app.fitting.spoken import Spoken, read_spoken

CATEGORIES = ("cylinder", "hardware", "key_blank")
MOST_CENTS = 100_000_000
_ITEM_KEYS = ("part_number", "category", "description", "cost_cents", "list_cents", "stocked")


@dataclass(frozen=True, slots=True)
class CatalogueItem:
    """Something to sell. Money in whole cents; `attributes` are there for cylinders whose number decodes."""

    part_number: str
    maker: str
    category: str
    description: str
    cost_cents: int
    list_cents: int
    stocked: bool
    attributes: CylinderAttributes | None = None

    def with_attributes(self, attributes: CylinderAttributes) -> CatalogueItem:
        """The same item with its cylinder attributes known."""
        return replace(self, attributes=attributes)


@dataclass(frozen=True, slots=True)
class Match:
    """An item that was found, how near it is (0 is exact, larger is farther) and what would differ."""

    item: CatalogueItem
    distance: int
    differs: tuple[str, ...]


def read_item(given: object, maker: str, field: str = "item") -> CatalogueItem:
    """An item from plain values; BitternError names the field at fault."""
    data = as_object(given, field, _ITEM_KEYS)
    category = data.get("category")
    if category not in CATEGORIES:
        raise BitternError(f"{field}.category", f"{quoted(category)} is no category. Use {', '.join(CATEGORIES)}.")
    stocked = data.get("stocked")
    if not isinstance(stocked, bool):
        raise BitternError(f"{field}.stocked", f"Say true or false, not {quoted(stocked)}.")
    return CatalogueItem(
        part_number=as_text(data.get("part_number"), f"{field}.part_number", 60),
        maker=maker,
        category=category,
        description=as_text(data.get("description"), f"{field}.description"),
        cost_cents=as_whole(data.get("cost_cents"), f"{field}.cost_cents", 0, MOST_CENTS),
        list_cents=as_whole(data.get("list_cents"), f"{field}.list_cents", 0, MOST_CENTS),
        stocked=stocked,
    )


# How much it matters to a customer that an attribute differs; the keyway decides whether the old key works.
_WEIGHTS = {
    "type": 100,
    "keyway": 6,
    "length": 4,
    "chambers": 4,
    "finish": 3,
    "drilled": 1,
    "cam": 2,
    "tailpiece": 2,
    "keying": 1,
}


def _squeezed(text: str) -> str:
    return re.sub(r"[^a-z0-9]", "", text.casefold())


def find(items: Iterable[CatalogueItem], query: str | CylinderAttributes, limit: int = 20) -> tuple[Match, ...]:
    """The nearest items, at most `limit`: by how much differs, stocked first among equals, then by list price.

    Text is tried as a part number (or its beginning) and as what a customer says ('1-1/4 rim satin chrome,
    six pin'). Items of another type than the one asked for never match, nor do those with nothing in common.
    """
    listed = list(items)
    number = ""
    if isinstance(query, CylinderAttributes):
        spoken = Spoken(query, (query.finish,) if query.finish else (), (), ())
    else:
        if len(query) > 200:
            raise BitternError("query", "Search with at most 200 characters.")
        keyways = {each.attributes.keyway for each in listed if each.attributes and each.attributes.keyway}
        spoken, number = read_spoken(query, sorted(keyways, key=len, reverse=True)), _squeezed(query)
    asked = attribute_texts(spoken.attributes)
    matches = []
    for item in listed:
        match = _by_number(item, number) or _by_words(item, spoken, asked)
        if match is not None:
            matches.append(match)
    matches.sort(key=lambda m: (m.distance, *_shelf(m.item)))
    return tuple(matches[:limit])


def find_same_fit(items: Iterable[CatalogueItem], old: CylinderAttributes, limit: int = 20) -> tuple[Match, ...]:
    """Cylinders of any maker that do the old one's work: nearest by type, length, chambers, cam and finish.

    Maker and keyway do not count against an item, but what would differ says them. Ask `face_change` about
    the face and `can_take_key` about the key.
    """
    fit = replace(old, maker="", keyway=None, keying=None)
    matches = []
    for match in find(items, fit, limit):
        offered = match.item.attributes
        differs = list(match.differs)
        if old.keyway and offered and offered.keyway != old.keyway:
            differs.append(f"keyway {offered.keyway or 'none'} instead of {old.keyway}")
        if old.maker and match.item.maker.casefold() != old.maker.casefold():
            differs.append(f"maker {match.item.maker} instead of {old.maker}")
        matches.append(replace(match, differs=tuple(differs)))
    return tuple(matches)


def find_by_blank(
    items: Iterable[CatalogueItem], blanks: Sequence[KeyBlank], number: str
) -> tuple[CatalogueItem, ...]:
    """Items for a customer's key: the blank itself under every maker's number, then the cylinders whose
    keyway it enters and whose pinned chambers it is long enough for; stocked first within each.

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
    return (*sorted(own, key=_shelf), *sorted(cylinders, key=_shelf))


def _shelf(item: CatalogueItem) -> tuple[bool, int, str]:
    return (not item.stocked, item.list_cents, item.part_number)


def _by_number(item: CatalogueItem, number: str) -> Match | None:
    """A match when the item's number is what was typed (0) or begins with it (1)."""
    own = _squeezed(item.part_number)
    if len(number) < 2 or not own.startswith(number):
        return None
    return Match(item, 0, ()) if own == number else Match(item, 1, ("its part number goes on",))


def _words_of(description: str) -> frozenset[str]:
    found = re.findall(r"[^\s,;]+", description.casefold())
    return frozenset(found) | {word.removesuffix("s") for word in found}


def _by_words(item: CatalogueItem, spoken: Spoken, asked: Mapping[str, str]) -> Match | None:
    described = _words_of(item.description)
    if item.attributes is None:
        # Hardware and blanks have a description only: every word must stand in it.
        present = bool(spoken.all_words) and all(_stands(word, described) for word in spoken.all_words)
        return Match(item, 0, ()) if present else None
    absent = tuple(word for word in spoken.words if not _stands(word, described))
    offered = attribute_texts(item.attributes)
    maker = spoken.attributes.maker
    differs = []
    distance = 0
    for name, value in asked.items():
        if offered.get(name) == value:
            continue
        if name == "type":
            return None
        distance += _WEIGHTS[name]
        differs.append(f"{name} {offered.get(name, 'none')} instead of {value}")
    if len(spoken.finishes) > 1 and offered.get("finish") not in spoken.finishes:
        distance += _WEIGHTS["finish"]
        differs.append(f"finish {offered.get('finish', 'none')} instead of {' or '.join(spoken.finishes)}")
    if maker and maker.casefold() != item.maker.casefold():
        differs.append(f"maker {item.maker} instead of {maker}")
        distance += 1
    said = len(asked) + (len(spoken.finishes) > 1) + len(spoken.words)
    unmet = len(differs) - bool(differs and differs[-1].startswith("maker ")) + len(absent)
    if not said or unmet >= said:
        return None
    differs.extend(f"nothing says '{word}'" for word in absent)
    return Match(item, distance + 2 * len(absent), tuple(differs))


def _stands(word: str, described: frozenset[str]) -> bool:
    return word in described or word.removesuffix("s") in described
