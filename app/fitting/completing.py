"""Worn part numbers: every legal number that what is still legible can be a part of."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields

from app.errors import BitternError
from app.fitting.catalog import CatalogItem
from app.fitting.cylinder import CylinderAttributes, from_texts
from app.fitting.part_numbers import clean_number
from app.fitting.patterns import Pattern, merge, without_separators

UNREADABLE = "?"
LEAST_LEGIBLE = 2
MOST_STEPS = 300_000


@dataclass(frozen=True, slots=True)
class Candidate:
    """A number that a worn one can be; `item` where it is in the catalog, `attributes` where they are known."""

    part_number: str
    attributes: CylinderAttributes | None
    item: CatalogItem | None


def complete(patterns: Sequence[Pattern], items: Iterable[CatalogItem], worn: str) -> list[Candidate]:
    """Every number that `worn` is a part of, in which `?` stands for one character; what is in the catalog first.

    Both ends are open: what is missing there may have been anything. Where nothing is found so, separators are left
    aside on both sides. BitternError on `part_number` where too little is legible, or too much is possible.
    """
    typed = clean_number(worn)
    if len(without_separators(typed).replace(UNREADABLE, "")) < LEAST_LEGIBLE:
        raise BitternError(
            "part_number", f"Enter at least {LEAST_LEGIBLE} characters that can be read, and ? for each that cannot."
        )
    catalog = {item.part_number.upper(): item for item in items}
    return _found(patterns, catalog, typed, bare=False) or _found(
        patterns, catalog, without_separators(typed), bare=True
    )


def what_all_say(cylinders: Sequence[CylinderAttributes]) -> CylinderAttributes:
    """What is true of every one of several cylinders; nothing is said of the rest.

    >>> what_all_say([CylinderAttributes("rim", keyway="AQ1", finish="626"), CylinderAttributes("rim", keyway="AQ1")])
    CylinderAttributes(type='rim', length=None, chambers=None, drilled=None, keyway='AQ1', cam=None, tailpiece=None, \
finish=None, maker='', keying=None)
    """
    first, *others = cylinders
    said = {one.name: getattr(first, one.name) for one in fields(first)}
    same = {name: value for name, value in said.items() if all(getattr(one, name) == value for one in others)}
    return CylinderAttributes(**{"type": "", **same})


def _found(
    patterns: Sequence[Pattern], catalog: dict[str, CatalogItem], typed: str, *, bare: bool
) -> list[Candidate]:
    found: dict[str, Candidate] = {}
    for pattern in patterns:
        for number, values in _fill(pattern, typed, bare, _PiecesLeft(), 0, frozenset({0}), {}):
            item = catalog.get(number)
            known = item.attributes if item and item.attributes else from_texts(values, pattern.maker)
            found.setdefault(number, Candidate(number, known, item))
    for number, item in catalog.items():
        written = without_separators(number) if bare else number
        if number not in found and _is_within(typed, written):
            found[number] = Candidate(item.part_number, item.attributes, item)
    return sorted(found.values(), key=lambda one: (one.item is None, len(one.part_number), one.part_number))


class _PiecesLeft:
    """How many pieces may still be tried."""

    def __init__(self) -> None:
        self.left = MOST_STEPS

    def spend(self) -> None:
        self.left -= 1
        if self.left < 0:
            raise BitternError("part_number", "Too many numbers can be meant: enter more of what can be read.")


def _fill(
    pattern: Pattern,
    typed: str,
    bare: bool,
    budget: _PiecesLeft,
    index: int,
    matched: frozenset[int],
    values: dict[str, str],
) -> Iterator[tuple[str, dict[str, str]]]:
    """Every legal way to fill the segments from `index` on; `matched`: how much of `typed` may be read so far."""
    if index == len(pattern.segments):
        if len(typed) in matched:
            yield "", values
        return
    for choice in pattern.segments[index].choices:
        budget.spend()
        merged = merge(values, choice)
        if merged is None or any(rule.broken_by(merged) for rule in pattern.rules_after[index]):
            continue
        read = _read(typed, matched, choice.bare if bare else choice.text)
        if max(read) + _longest_rest(pattern, index + 1) < len(typed):
            continue
        for rest, final in _fill(pattern, typed, bare, budget, index + 1, read, merged):
            yield choice.text + rest, final


def _longest_rest(pattern: Pattern, index: int) -> int:
    return sum(max(segment.lengths) for segment in pattern.segments[index:])


def _read(typed: str, matched: frozenset[int], piece: str) -> frozenset[int]:
    """How much of `typed` may be read after a further piece: it may begin anywhere, and stays read once it is."""
    for letter in piece:
        further = {place + 1 for place in matched if place < len(typed) and typed[place] in (letter, UNREADABLE)}
        matched = frozenset(further | {0} | (matched & {len(typed)}))
    return matched


def _is_within(typed: str, number: str) -> bool:
    return len(typed) in _read(typed, frozenset({0}), number)
