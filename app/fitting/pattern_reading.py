"""A maker's part-number pattern read from JSON, the shape in which makers' tables are kept and exchanged."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from functools import partial
from typing import Any, TypeVar

from app.errors import BitternError, Problem
from app.fitting.cylinder import ATTRIBUTES, CYLINDER_TYPES
from app.fitting.inches import read_inches, write_inches
from app.fitting.pattern_check import check_parts, repeated_codes
from app.fitting.patterns import KINDS, SEPARATORS, Code, Conditions, Meaning, Pattern, PatternRule, Segment, Sets
from app.validation import Reader, quoted, read_many, read_text, read_typed_whole

T = TypeVar("T")
_NO_SETS: Sets = ()
_NO_CONDITIONS: Conditions = ()
_SEGMENT_KEYS = (
    *("name", "kind", "separator", "text", "sets", "words", "codes", "attribute", "digits", "unit"),
    *("least", "most", "missing"),
)
_COUNTS = ("chambers", "drilled")
MOST_SEGMENTS = 20
MOST_CODES = 500
MOST_DIGITS = 4


def _value(name: str, given: object) -> str:
    """An attribute's value as the text that attributes compare by: lengths and counts in one writing."""
    if name == "length":
        return write_inches(read_inches(given, ""))
    if name in _COUNTS:
        return str(read_typed_whole(given, 1, 12))
    text = read_text(given, 60)
    if name == "type" and text not in CYLINDER_TYPES:
        raise BitternError("", f"{quoted(text)} is no cylinder type. Use {', '.join(CYLINDER_TYPES)}.")
    return text


def _by_attribute(read_value: Callable[[str, Any], T], given: object) -> tuple[tuple[str, T], ...]:
    """What `read_value` makes of each attribute in a JSON object, in its order."""
    read = Reader(given)
    for name in ATTRIBUTES:
        read.has(name)
    found = [(name, read.value(name, partial(read_value, name))) for name in read.given if name in ATTRIBUTES]
    read.done()
    return tuple(found)


_sets: Callable[[Any], Sets] = partial(_by_attribute, _value)


def _printed(given: object) -> str:
    text = read_text(given, 30)
    if not text.isascii() or " " in text:
        raise BitternError("", f"A code has plain letters, digits and separators only, not {quoted(text)}.")
    return text.upper()


def _separator(given: object) -> str:
    if not isinstance(given, str) or len(given) > 3 or any(each not in SEPARATORS for each in given):
        raise BitternError("", f"A separator is up to three of {SEPARATORS.strip()}, not {quoted(given)}.")
    return given


def _code(given: object) -> Code:
    read = Reader(given)
    code = Code(read.value("code", _printed), read.value("sets", _sets, _NO_SETS), read.text("words"))
    read.done()
    return code


def _meaning(given: object) -> Meaning:
    read = Reader(given)
    meaning = Meaning(read.value("sets", _sets, _NO_SETS), read.text("words"))
    read.done()
    return meaning


def _segment(given: object) -> Segment:
    read = Reader(given)
    for key in _SEGMENT_KEYS:  # what only another kind has is passed over
        read.has(key)
    name = read.text("name", 60)
    kind = read.raw("kind")
    separator = read.value("separator", _separator, "")
    missing = read.many("missing", _meaning, 20)
    of_kind: dict[str, Any] = {}
    if kind == "text":
        of_kind = {
            "text": read.value("text", _printed),
            "sets": read.value("sets", _sets, _NO_SETS),
            "words": read.text("words") if read.raw("words") else name,
        }
    elif kind == "codes":
        of_kind = {"codes": read.many("codes", _code, MOST_CODES)}
        if read.raw("codes") in (None, []):
            read.refuse("codes", "This code table is empty; give at least one code.")
        elif None in of_kind["codes"]:
            read.note(repeated_codes(of_kind["codes"], "codes"))
    elif kind == "number":
        of_kind = _number(read)
    else:
        read.refuse("kind", f"{quoted(kind)} is no kind of segment. Use {', '.join(KINDS)}.")
    read.done()
    return Segment(name, kind, separator, missing=missing, **of_kind)


def _number(read: Reader) -> dict[str, Any]:
    """What a segment of digits says beside its name."""
    attribute = read.raw("attribute")
    if attribute not in ("length", *_COUNTS):
        read.refuse("attribute", "A number is a length, chambers or drilled.")
    digits = read.value("digits", lambda given: read_typed_whole(given, 1, MOST_DIGITS))
    highest = 10 ** (digits or MOST_DIGITS) - 1
    first, last = (1, min(12, highest)) if attribute in _COUNTS else (0, highest)
    least = read.value("least", lambda given: read_typed_whole(given, first, last))
    most = read.value("most", lambda given: read_typed_whole(given, least or first, last))
    unit = Fraction(1) if attribute in _COUNTS else read.value("unit", _unit, Fraction(1))
    return {"attribute": attribute, "digits": digits, "unit": unit, "least": least, "most": most}


def _unit(given: object) -> Fraction:
    unit = read_inches(given, "")
    if unit <= 0:
        raise BitternError("", "The unit must be more than 0.")
    return unit


def _condition(name: str, given: object) -> tuple[str, ...]:
    return read_many(given, lambda each: "" if each in (None, "") else _value(name, each), MOST_CODES)


_conditions: Callable[[Any], Conditions] = partial(_by_attribute, _condition)


def _rule(given: object) -> PatternRule:
    read = Reader(given)
    kind = read.raw("kind")
    when, then = read.value("when", _conditions, _NO_CONDITIONS), read.value("then", _conditions, _NO_CONDITIONS)
    reason = read.text("reason")
    if kind == "forbid" and (read.raw("then") or not read.raw("when")):
        read.refuse("when", "A rule that forbids has its whole combination in 'when'.")
    elif kind == "allow" and not read.raw("then"):
        read.refuse("then", "A rule that allows says in 'then' what is allowed.")
    elif kind not in ("allow", "forbid"):
        read.refuse("kind", f"{quoted(kind)} is no kind of rule. Use allow or forbid.")
    read.done()
    return PatternRule(kind, when, then, reason)


def pattern_from_json(given: object, maker: str = "") -> Pattern:
    """A pattern from plain values; Problems name every segment, code and rule at fault, such as `segments[2].kind`.

    Checks shape only; `check_pattern` tells whether its numbers can be told apart.
    """
    read = Reader(given)
    name, segments, rules = _parts(read)
    read.done()
    return Pattern(name=name, maker=maker, segments=segments, rules=rules)


def check_rest(given: object) -> list[Problem]:
    """Of a pattern whose shape is at fault: what `check_pattern` can say of those parts that can be read."""
    _, segments, rules = _parts(Reader(given))
    return check_parts(segments, rules)


def _parts(read: Reader) -> tuple[str, tuple[Segment, ...], tuple[PatternRule, ...]]:
    """A pattern's name, segments and rules; None stands for what cannot be read."""
    name = read.text("name", 60)
    segments = read.many("segments", _segment, MOST_SEGMENTS)
    if read.raw("segments") in (None, []):
        read.refuse("segments", "A pattern has at least one segment.")
    return name, segments, read.many("rules", _rule, 200)
