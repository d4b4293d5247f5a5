"""A pattern to and from JSON, the shape in which makers' tables are kept and exchanged."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Any, TypeVar

from app.errors import BitternError, Problem
from app.fitting.cylinder import ATTRIBUTES, CYLINDER_TYPES
from app.fitting.given import Faults, as_list, as_text, as_whole, quoted
from app.fitting.inches import read_inches, write_inches
from app.fitting.pattern_check import check_parts, repeated_codes
from app.fitting.patterns import KINDS, SEPARATORS, Code, Conditions, Meaning, Pattern, Rule, Segment, Sets

T = TypeVar("T")
_SEGMENT_KEYS = (
    *("name", "kind", "separator", "text", "sets", "words", "codes", "attribute", "digits", "unit"),
    *("least", "most", "missing"),
)
MOST_SEGMENTS = 20
MOST_CODES = 500
MOST_DIGITS = 4


def _value(name: str, value: object, field: str) -> str:
    """An attribute's value as the text that attributes compare by: lengths and counts in one writing."""
    if name == "length":
        return write_inches(read_inches(value, field))
    if name in ("chambers", "drilled"):
        return str(as_whole(value, field, 1, 12))
    text = as_text(value, field, 60)
    if name == "type" and text not in CYLINDER_TYPES:
        raise BitternError(field, f"{quoted(text)} is no cylinder type. Use {', '.join(CYLINDER_TYPES)}.")
    return text


def _by_attribute(read: Callable[[str, object, str], T], given: object, field: str) -> tuple[tuple[str, T], ...]:
    """What `read` makes of each attribute's value in a JSON object; every fault of it."""
    faults = Faults()
    data = faults.fields({} if given is None else given, field, ATTRIBUTES)
    found = tuple(
        (name, faults.take(read, name, value, f"{field}.{name}"))
        for name, value in data.items()
        if name in ATTRIBUTES
    )
    faults.stop()
    return found


def _sets(given: object, field: str) -> Sets:
    return _by_attribute(_value, given, field)


def _printed(given: object, field: str) -> str:
    text = as_text(given, field, 30)
    if not text.isascii() or " " in text:
        raise BitternError(field, f"A code has plain letters, digits and separators only, not {quoted(text)}.")
    return text.upper()


def _separator(given: object, field: str) -> str:
    if given in (None, ""):
        return ""
    if not isinstance(given, str) or len(given) > 3 or any(each not in SEPARATORS for each in given):
        raise BitternError(field, f"A separator is up to three of {SEPARATORS.strip()}, not {quoted(given)}.")
    return given


def _code(given: object, field: str) -> Code:
    faults = Faults()
    data = faults.fields(given, field, ("code", "sets", "words"))
    code = Code(
        faults.take(_printed, data.get("code"), f"{field}.code"),
        faults.take(_sets, data.get("sets"), f"{field}.sets"),
        faults.take(as_text, data.get("words"), f"{field}.words"),
    )
    faults.stop()
    return code


def _codes(given: object, field: str) -> tuple[Code, ...]:
    faults = Faults()
    rows = as_list(given, field, MOST_CODES)
    codes = [faults.take(_code, row, f"{field}[{number}]") for number, row in enumerate(rows, 1)]
    if not rows:
        raise BitternError(field, "This code table is empty; give at least one code.")
    if faults.problems:
        faults.note(repeated_codes(codes, field))
    faults.stop()
    return tuple(codes)


def _meaning(given: object, field: str) -> Meaning:
    faults = Faults()
    data = faults.fields(given, field, ("sets", "words"))
    meaning = Meaning(
        faults.take(_sets, data.get("sets"), f"{field}.sets"),
        faults.take(as_text, data.get("words"), f"{field}.words"),
    )
    faults.stop()
    return meaning


def _missing(given: object, field: str) -> tuple[Meaning, ...]:
    faults = Faults()
    rows = [] if given is None else as_list(given, field, 20)
    meanings = tuple(faults.take(_meaning, row, f"{field}[{number}]") for number, row in enumerate(rows, 1))
    faults.stop()
    return meanings


def _segment(given: object, field: str) -> Segment:
    faults = Faults()
    data = faults.fields(given, field, _SEGMENT_KEYS)
    kind = data.get("kind")
    name = faults.take(as_text, data.get("name"), f"{field}.name", 60)
    separator = faults.take(_separator, data.get("separator"), f"{field}.separator")
    missing = faults.take(_missing, data.get("missing"), f"{field}.missing")
    of_kind: dict[str, Any] = {}
    if kind == "text":
        words = data.get("words")
        of_kind = {
            "text": faults.take(_printed, data.get("text"), f"{field}.text"),
            "sets": faults.take(_sets, data.get("sets"), f"{field}.sets"),
            "words": faults.take(as_text, words, f"{field}.words") if words else name,
        }
    elif kind == "codes":
        of_kind = {"codes": faults.take(_codes, data.get("codes"), f"{field}.codes")}
    elif kind == "number":
        of_kind = faults.take(_number, data, field)
    else:
        faults.note([Problem(f"{field}.kind", f"{quoted(kind)} is no kind of segment. Use {', '.join(KINDS)}.")])
    faults.stop()
    return Segment(name, str(kind), separator, missing=missing, **of_kind)


def _number(data: Mapping[str, Any], field: str) -> dict[str, Any]:
    """What a segment of digits says beside its name."""
    faults = Faults()
    attribute = data.get("attribute")
    if attribute not in ("length", "chambers", "drilled"):
        faults.note([Problem(f"{field}.attribute", "A number is a length, chambers or drilled.")])
    digits = faults.take(as_whole, data.get("digits"), f"{field}.digits", 1, MOST_DIGITS)
    highest = 10 ** (digits or MOST_DIGITS) - 1
    first, last = (1, min(12, highest)) if attribute in ("chambers", "drilled") else (0, highest)
    least = faults.take(as_whole, data.get("least"), f"{field}.least", first, last)
    most = faults.take(as_whole, data.get("most"), f"{field}.most", least or first, last)
    unit = Fraction(1)
    if attribute not in ("chambers", "drilled"):
        unit = faults.take(_unit, data.get("unit", "1"), f"{field}.unit")
    faults.stop()
    return {"attribute": attribute, "digits": digits, "unit": unit, "least": least, "most": most}


def _unit(given: object, field: str) -> Fraction:
    unit = read_inches(given, field)
    if unit <= 0:
        raise BitternError(field, "The unit must be more than 0.")
    return unit


def _condition(name: str, given: object, field: str) -> tuple[str, ...]:
    faults = Faults()
    values = as_list(given, field, MOST_CODES)
    said = tuple("" if each in (None, "") else faults.take(_value, name, each, field) for each in values)
    faults.stop()
    return said


def _conditions(given: object, field: str) -> Conditions:
    return _by_attribute(_condition, given, field)


def _rule(given: object, field: str) -> Rule:
    faults = Faults()
    data = faults.fields(given, field, ("kind", "when", "then", "reason"))
    kind = data.get("kind")
    when = faults.take(_conditions, data.get("when"), f"{field}.when")
    then = faults.take(_conditions, data.get("then"), f"{field}.then")
    reason = faults.take(as_text, data.get("reason"), f"{field}.reason")
    if kind == "forbid" and (data.get("then") or not data.get("when")):
        faults.note([Problem(f"{field}.when", "A rule that forbids has its whole combination in 'when'.")])
    elif kind == "allow" and not data.get("then"):
        faults.note([Problem(f"{field}.then", "A rule that allows says in 'then' what is allowed.")])
    elif kind not in ("allow", "forbid"):
        faults.note([Problem(f"{field}.kind", f"{quoted(kind)} is no kind of rule. Use allow or forbid.")])
    faults.stop()
    return Rule(str(kind), when, then, reason)


def pattern_from_json(given: object, maker: str = "", field: str = "pattern") -> Pattern:
    """A pattern from plain values; Problems name every segment, code and rule at fault.

    Checks shape only; `check_pattern` tells whether its numbers can be told apart.
    """
    faults = Faults()
    name, segments, rules = _parts(given, field, faults)
    faults.stop()
    return Pattern(name=name, maker=maker, segments=tuple(segments), rules=tuple(rules))


def check_rest(given: object) -> list[Problem]:
    """Of a pattern whose shape is at fault: what `check_pattern` can say of those parts that can be read."""
    faults = Faults()
    parts = faults.take(_parts, given, "pattern", Faults())
    return check_parts(parts[1], parts[2]) if parts else []


def _parts(given: object, field: str, faults: Faults) -> tuple[str, list[Segment], list[Rule]]:
    """A pattern's name, segments and rules; None stands for what cannot be read, which `faults` knows."""
    data = faults.fields(given, field, ("name", "segments", "rules"))
    name = faults.take(as_text, data.get("name"), f"{field}.name", 60)
    rows = faults.take(as_list, data.get("segments"), f"{field}.segments", MOST_SEGMENTS)
    if rows == []:
        faults.note([Problem(f"{field}.segments", "A pattern has at least one segment.")])
    ruled = faults.take(as_list, data.get("rules", []), f"{field}.rules", 200)
    segments = [faults.take(_segment, each, f"{field}.segments[{n}]") for n, each in enumerate(rows or [], 1)]
    rules = [faults.take(_rule, each, f"{field}.rules[{n}]") for n, each in enumerate(ruled or [], 1)]
    return name, segments, rules


def _segment_to_json(segment: Segment) -> dict[str, Any]:
    data: dict[str, Any] = {"name": segment.name, "kind": segment.kind}
    if segment.separator:
        data["separator"] = segment.separator
    if segment.kind == "text":
        data |= {"text": segment.text, "sets": dict(segment.sets), "words": segment.words}
    elif segment.kind == "codes":
        data["codes"] = [{"code": each.code, "sets": dict(each.sets), "words": each.words} for each in segment.codes]
    else:
        data |= {"attribute": segment.attribute, "digits": segment.digits}
        data |= {"unit": write_inches(segment.unit), "least": segment.least, "most": segment.most}
    if segment.missing:
        data["missing"] = [{"sets": dict(each.sets), "words": each.words} for each in segment.missing]
    return data


def pattern_to_json(pattern: Pattern) -> dict[str, Any]:
    """Plain values that `pattern_from_json` reads back to an equal pattern."""

    def listed(conditions: tuple[tuple[str, tuple[str, ...]], ...]) -> Mapping[str, list[str]]:
        return {name: list(values) for name, values in conditions}

    rules = []
    for rule in pattern.rules:
        data: dict[str, Any] = {"kind": rule.kind, "when": listed(rule.when), "reason": rule.reason}
        if rule.then:
            data["then"] = listed(rule.then)
        rules.append(data)
    segments = [_segment_to_json(segment) for segment in pattern.segments]
    return {"name": pattern.name, "segments": segments, "rules": rules}
