"""A pattern to and from JSON, the shape in which makers' tables are kept and exchanged."""

from __future__ import annotations

__all__ = ["pattern_from_json", "pattern_to_json"]

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from app.errors import BitternError
from app.fitting.cylinder import ATTRIBUTES, CYLINDER_TYPES
from app.fitting.given import as_list, as_object, as_text, as_whole, quoted
from app.fitting.inches import read_inches, write_inches
from app.fitting.patterns import KINDS, SEPARATORS, Code, Meaning, Pattern, Rule, Segment, Sets

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


def _sets(given: object, field: str) -> Sets:
    data = as_object({} if given is None else given, field, ATTRIBUTES)
    return tuple((name, _value(name, value, f"{field}.{name}")) for name, value in data.items())


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


def _codes(given: object, field: str) -> tuple[Code, ...]:
    codes = []
    for number, row in enumerate(as_list(given, field, MOST_CODES), 1):
        at = f"{field}[{number}]"
        data = as_object(row, at, ("code", "sets", "words"))
        code = _printed(data.get("code"), f"{at}.code")
        sets = _sets(data.get("sets"), f"{at}.sets")
        codes.append(Code(code, sets, as_text(data.get("words"), f"{at}.words")))
    if not codes:
        raise BitternError(field, "This code table is empty; give at least one code.")
    return tuple(codes)


def _missing(given: object, field: str) -> tuple[Meaning, ...]:
    if given is None:
        return ()
    meanings = []
    for number, row in enumerate(as_list(given, field, 20), 1):
        at = f"{field}[{number}]"
        data = as_object(row, at, ("sets", "words"))
        meanings.append(Meaning(_sets(data.get("sets"), f"{at}.sets"), as_text(data.get("words"), f"{at}.words")))
    return tuple(meanings)


def _segment(given: object, field: str) -> Segment:
    data = as_object(given, field, _SEGMENT_KEYS)
    name = as_text(data.get("name"), f"{field}.name", 60)
    kind = data.get("kind")
    if kind not in KINDS:
        raise BitternError(f"{field}.kind", f"{quoted(kind)} is no kind of segment. Use {', '.join(KINDS)}.")
    separator = _separator(data.get("separator"), f"{field}.separator")
    missing = _missing(data.get("missing"), f"{field}.missing")
    if kind == "text":
        words = data.get("words")
        return Segment(
            name,
            kind,
            separator,
            text=_printed(data.get("text"), f"{field}.text"),
            sets=_sets(data.get("sets"), f"{field}.sets"),
            words=as_text(words, f"{field}.words") if words else name,
            missing=missing,
        )
    if kind == "codes":
        codes = _codes(data.get("codes"), f"{field}.codes")
        return Segment(name, kind, separator, codes=codes, missing=missing)
    attribute = data.get("attribute")
    if attribute not in ("length", "chambers", "drilled"):
        raise BitternError(f"{field}.attribute", "A number is a length, chambers or drilled.")
    digits = as_whole(data.get("digits"), f"{field}.digits", 1, MOST_DIGITS)
    least = as_whole(data.get("least"), f"{field}.least", 0, 10**digits - 1)
    most = as_whole(data.get("most"), f"{field}.most", least, 10**digits - 1)
    unit = read_inches(data.get("unit", "1"), f"{field}.unit") if attribute == "length" else Fraction(1)
    if unit <= 0:
        raise BitternError(f"{field}.unit", "The unit must be more than 0.")
    if attribute != "length":
        as_whole(most, f"{field}.most", 1, 12)
        as_whole(least, f"{field}.least", 1, 12)
    return Segment(
        name,
        kind,
        separator,
        attribute=attribute,
        digits=digits,
        unit=unit,
        least=least,
        most=most,
        missing=missing,
    )


def _conditions(given: object, field: str) -> tuple[tuple[str, tuple[str, ...]], ...]:
    data = as_object({} if given is None else given, field, ATTRIBUTES)
    conditions = []
    for name, values in data.items():
        listed = as_list(values, f"{field}.{name}", MOST_CODES)
        said = tuple("" if each in (None, "") else _value(name, each, f"{field}.{name}") for each in listed)
        conditions.append((name, said))
    return tuple(conditions)


def _rule(given: object, field: str) -> Rule:
    data = as_object(given, field, ("kind", "when", "then", "reason"))
    kind = data.get("kind")
    if kind not in ("allow", "forbid"):
        raise BitternError(f"{field}.kind", f"{quoted(kind)} is no kind of rule. Use allow or forbid.")
    when, then = _conditions(data.get("when"), f"{field}.when"), _conditions(data.get("then"), f"{field}.then")
    if kind == "forbid" and (then or not when):
        raise BitternError(f"{field}.when", "A rule that forbids has its whole combination in 'when'.")
    if kind == "allow" and not then:
        raise BitternError(f"{field}.then", "A rule that allows says in 'then' what is allowed.")
    return Rule(kind, when, then, as_text(data.get("reason"), f"{field}.reason"))


def pattern_from_json(given: object, maker: str = "", field: str = "pattern") -> Pattern:
    """A pattern from plain values; BitternError names the segment, code or rule at fault.

    Checks shape only; `check_pattern` tells whether its numbers can be told apart.
    """
    data = as_object(given, field, ("name", "segments", "rules"))
    segments = as_list(data.get("segments"), f"{field}.segments", MOST_SEGMENTS)
    if not segments:
        raise BitternError(f"{field}.segments", "A pattern has at least one segment.")
    rules = as_list(data.get("rules", []), f"{field}.rules", 200)
    return Pattern(
        name=as_text(data.get("name"), f"{field}.name", 60),
        maker=maker,
        segments=tuple(_segment(each, f"{field}.segments[{n}]") for n, each in enumerate(segments, 1)),
        rules=tuple(_rule(each, f"{field}.rules[{n}]") for n, each in enumerate(rules, 1)),
    )


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
