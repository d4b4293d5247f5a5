"""Attributes to a maker's part number, and every combination that the maker's pattern allows."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import inf

from app.errors import BitternError
from app.fitting.cylinder import ATTRIBUTES, CylinderAttributes, attribute_texts, from_texts
from app.fitting.patterns import Pattern, PatternRule, SegmentChoice, merge
from app.validation import quoted

Filled = tuple[tuple[SegmentChoice, ...], dict[str, str]]
MOST_STEPS = 300_000
MOST_SHOWN = 16


@dataclass(slots=True)
class _Search:
    """The rules that turned a way down, in the order they were met, and how many steps may still be taken."""

    broken: dict[PatternRule, None] = field(default_factory=dict)
    steps_left: float = MOST_STEPS


def _fill(
    pattern: Pattern, asked: Mapping[str, str], search: _Search, index: int, values: dict[str, str]
) -> Iterator[Filled]:
    """Every legal way to fill the segments from `index` on that agrees with what is asked."""
    if index == len(pattern.segments):
        yield (), values
        return
    for choice in pattern.segments[index].choices:
        search.steps_left -= 1
        if search.steps_left < 0:
            raise BitternError("attributes", "Too many numbers are possible: say more of the cylinder.")
        if any(asked.get(name, value) != value for name, value in choice.sets):
            continue
        merged = merge(values, choice)
        if merged is None:
            continue
        stop = next((rule for rule in pattern.rules_after[index] if rule.broken_by(merged)), None)
        if stop is not None:
            search.broken[stop] = None
            continue
        for rest, final in _fill(pattern, asked, search, index + 1, merged):
            yield (choice, *rest), final


def _first(pattern: Pattern, asked: Mapping[str, str], search: _Search) -> Filled | None:
    """The first way that also says everything that is asked; shortest writing of each meaning first."""
    for choices, values in _fill(pattern, asked, search, 0, {}):
        if all(values.get(name, "") == value for name, value in asked.items()):
            return choices, values
    return None


def _values_of(pattern: Pattern, name: str) -> tuple[str, ...]:
    """Every value that the pattern can give an attribute, in its own order."""
    values = [
        value
        for segment in pattern.segments
        for choice in segment.choices
        for each, value in choice.sets
        if each == name
    ]
    return tuple(dict.fromkeys(values))


def _refusal(pattern: Pattern, asked: Mapping[str, str], broken: Iterable[PatternRule]) -> BitternError:
    for name, value in asked.items():
        known = _values_of(pattern, name)
        if not known:
            return BitternError(name, f"{_who(pattern)} has no {name} in its part numbers; leave it out.")
        if value not in known:
            shown = ", ".join(known[:MOST_SHOWN]) + (", …" if len(known) > MOST_SHOWN else "")
            return BitternError(name, f"{_who(pattern)} has no {name} {quoted(value)}; it has {shown}.")
    told = [rule for rule in pattern.rules if _broken_by_what_is_asked(rule, asked)]
    for rule in told or broken:
        names = [name for name in ATTRIBUTES if name in rule.attributes and name in asked]
        if names:
            return BitternError(names[-1], f"{_who(pattern)} does not make this: {rule.reason}")
    names = list(asked)
    return BitternError(
        names[-1] if names else "type", f"{_who(pattern)} does not make this combination of {', '.join(names)}."
    )


def _broken_by_what_is_asked(rule: PatternRule, asked: Mapping[str, str]) -> bool:
    """Whether the rule is broken whatever the attributes are that nobody said."""
    if not all(asked.get(name) in values for name, values in rule.when):
        return False
    return rule.kind == "forbid" or any(name in asked and asked[name] not in values for name, values in rule.then)


def _who(pattern: Pattern) -> str:
    return pattern.maker or pattern.name


def _defaulted(pattern: Pattern, choices: tuple[SegmentChoice, ...]) -> set[str]:
    """The attributes that stand there only because a segment was left out."""
    return {name for choice in choices if not choice.piece for name, _ in choice.sets}


def compose(pattern: Pattern, attributes: CylinderAttributes) -> str:
    """The maker's part number for these attributes.

    An attribute that is not said (None) takes what a missing segment means, or the one value that is left;
    BitternError asks for it when there are several, and gives the reason when the maker does not make it.
    """
    if attributes.maker and pattern.maker and attributes.maker.casefold() != pattern.maker.casefold():
        raise BitternError("maker", f"These attributes are of {attributes.maker}, not {pattern.maker}.")
    asked = attribute_texts(attributes)
    search = _Search()
    first = _first(pattern, asked, search)
    if first is None:
        raise _refusal(pattern, asked, search.broken)
    choices, values = first
    for name in sorted(values.keys() - asked.keys() - _defaulted(pattern, choices), key=ATTRIBUTES.index):
        possible: list[str] = []
        for value in _values_of(pattern, name):
            if _first(pattern, {**asked, name: value}, search) is not None:
                possible.append(value)
            if len(possible) > MOST_SHOWN:
                possible[-1] = "…"
                break
        if len(possible) > 1:
            raise BitternError(name, f"Say the {name}: {', '.join(possible)}.")
    return "".join(choice.text for choice in choices)


def compose_any(patterns: Sequence[Pattern], attributes: CylinderAttributes) -> str:
    """`compose` with the first of a maker's patterns that makes this; the refusal that came closest."""
    if not patterns:
        raise BitternError("maker", "This maker has no part-number pattern yet; enter one on its page.")
    refusals = []
    for pattern in patterns:
        try:
            return compose(pattern, attributes)
        except BitternError as refusal:
            refusals.append(refusal)
    # A pattern that does not even have this type says nothing worth hearing when another one does.
    raise min(refusals, key=lambda refusal: refusal.field == "type")


def any_combination(pattern: Pattern) -> bool:
    """Whether the rules leave a combination at all; BitternError when a bounded search cannot tell."""
    return next(_fill(pattern, {}, _Search(), 0, {}), None) is not None


def combinations(pattern: Pattern) -> Iterator[tuple[str, CylinderAttributes]]:
    """Every legal number of the pattern with its attributes, one meaning once (its first writing)."""
    seen: set[CylinderAttributes] = set()
    for choices, values in _fill(pattern, {}, _Search(steps_left=inf), 0, {}):
        attributes = from_texts(values, pattern.maker)
        if attributes not in seen:
            seen.add(attributes)
            yield "".join(choice.text for choice in choices), attributes
