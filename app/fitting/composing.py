"""Attributes to a maker's part number, and every combination that the maker's pattern allows."""

from __future__ import annotations

__all__ = ["combinations", "compose", "compose_any"]

from collections.abc import Iterator, Mapping, Sequence

from app.errors import BitternError
from app.fitting.cylinder import ATTRIBUTES, CylinderAttributes, attribute_texts, from_texts
from app.fitting.given import quoted
from app.fitting.part_numbers import merge
from app.fitting.patterns import Choice, Pattern, Rule

Filled = tuple[tuple[Choice, ...], dict[str, str]]


def _fill(
    pattern: Pattern, asked: Mapping[str, str], broken: list[Rule], index: int, values: dict[str, str]
) -> Iterator[Filled]:
    """Every legal way to fill the segments from `index` on that agrees with what is asked."""
    if index == len(pattern.segments):
        yield (), values
        return
    for choice in pattern.segments[index].choices:
        if any(asked.get(name, value) != value for name, value in choice.sets):
            continue
        merged = merge(values, choice)
        if merged is None:
            continue
        stop = next((rule for rule in pattern.rules_after[index] if rule.broken_by(merged)), None)
        if stop is not None:
            broken.append(stop)
            continue
        for rest, final in _fill(pattern, asked, broken, index + 1, merged):
            yield (choice, *rest), final


def _first(pattern: Pattern, asked: Mapping[str, str], broken: list[Rule]) -> Filled | None:
    """The first way that also says everything that is asked; shortest writing of each meaning first."""
    for choices, values in _fill(pattern, asked, broken, 0, {}):
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


def _refusal(pattern: Pattern, asked: Mapping[str, str], broken: list[Rule]) -> BitternError:
    for name, value in asked.items():
        known = _values_of(pattern, name)
        if not known:
            return BitternError(name, f"{_who(pattern)} has no {name} in its part numbers; leave it out.")
        if value not in known:
            shown = ", ".join(known[:16]) + (", …" if len(known) > 16 else "")
            return BitternError(name, f"{_who(pattern)} has no {name} {quoted(value)}; it has {shown}.")
    told = [rule for rule in pattern.rules if _broken_by_what_is_asked(rule, asked)]
    for rule in told or dict.fromkeys(broken):
        names = [name for name in ATTRIBUTES if name in rule.attributes and name in asked]
        if names:
            return BitternError(names[-1], f"{_who(pattern)} does not make this: {rule.reason}")
    names = list(asked)
    return BitternError(
        names[-1] if names else "type", f"{_who(pattern)} does not make this combination of {', '.join(names)}."
    )


def _broken_by_what_is_asked(rule: Rule, asked: Mapping[str, str]) -> bool:
    """Whether the rule is broken whatever the attributes are that nobody said."""
    if not all(asked.get(name) in values for name, values in rule.when):
        return False
    return rule.kind == "forbid" or any(name in asked and asked[name] not in values for name, values in rule.then)


def _who(pattern: Pattern) -> str:
    return pattern.maker or pattern.name


def _defaulted(pattern: Pattern, choices: tuple[Choice, ...]) -> set[str]:
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
    broken: list[Rule] = []
    first = _first(pattern, asked, broken)
    if first is None:
        raise _refusal(pattern, asked, broken)
    choices, values = first
    for name in sorted(values.keys() - asked.keys() - _defaulted(pattern, choices), key=ATTRIBUTES.index):
        possible = [
            value for value in _values_of(pattern, name) if _first(pattern, {**asked, name: value}, []) is not None
        ]
        if len(possible) > 1:
            raise BitternError(name, f"Say the {name}: {', '.join(possible[:16])}.")
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
    return _raise(min(refusals, key=lambda refusal: refusal.field == "type"))


def _raise(refusal: BitternError) -> str:
    raise refusal


def combinations(pattern: Pattern) -> Iterator[tuple[str, CylinderAttributes]]:
    """Every legal number of the pattern with its attributes, one meaning once (its first writing)."""
    seen: set[CylinderAttributes] = set()
    for choices, values in _fill(pattern, {}, [], 0, {}):
        attributes = from_texts(values, pattern.maker)
        if attributes not in seen:
            seen.add(attributes)
            yield "".join(choice.text for choice in choices), attributes
