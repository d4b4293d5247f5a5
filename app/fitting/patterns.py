"""A maker's part-number pattern as data, read from JSON: ordered segments, what a missing one means, and rules."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from functools import partial
from typing import Any, TypeVar

from app.errors import BitternError, Problem
from app.fitting.cylinder import ATTRIBUTES, CYLINDER_TYPES
from app.fitting.inches import read_inches, write_inches
from app.validation import Reader, quoted, read_many, read_text, read_typed_whole

Sets = tuple[tuple[str, str], ...]
SEPARATORS = "-./_ :+"
KINDS = ("text", "codes", "number")


@dataclass(frozen=True, slots=True)
class Code:
    """One row of a code table: the code, the attributes that it sets and what it says in words."""

    code: str
    sets: Sets
    words: str


@dataclass(frozen=True, slots=True)
class Meaning:
    """What it means when a segment is left out; rules decide between several."""

    sets: Sets
    words: str


@dataclass(frozen=True, slots=True)
class SegmentChoice:
    """One way to fill a segment: `text` with its separator ('' when left out), `bare` without separators."""

    text: str
    bare: str
    piece: str
    sets: Sets
    words: str


def merge(values: dict[str, str], choice: SegmentChoice) -> dict[str, str] | None:
    """The attributes with the choice's added; None when the choice contradicts what is already set."""
    if not choice.sets:
        return values
    merged = dict(values)
    for name, value in choice.sets:
        if merged.setdefault(name, value) != value:
            return None
    return merged


def without_separators(text: str) -> str:
    """A part number as one run of letters and figures.

    >>> without_separators("AB-M3-AQ1")
    'ABM3AQ1'
    """
    return "".join(character for character in text if character not in SEPARATORS)


@dataclass(frozen=True, slots=True)
class Segment:
    """One piece of a part number.

    `kind` is 'text' (always `text`), 'codes' (one of `codes`) or 'number' (`digits` digits from `least` to
    `most`, times `unit`, sets `attribute`). `separator` stands in front of it and only goes with it.
    With `missing` meanings the segment may be left out.
    """

    name: str
    kind: str
    separator: str = ""
    text: str = ""
    sets: Sets = ()
    words: str = ""
    codes: tuple[Code, ...] = ()
    attribute: str = ""
    digits: int = 0
    unit: Fraction = Fraction(1)
    least: int = 0
    most: int = 0
    missing: tuple[Meaning, ...] = ()
    choices: tuple[SegmentChoice, ...] = field(init=False, repr=False, compare=False)
    by_text: Mapping[str, tuple[SegmentChoice, ...]] = field(init=False, repr=False, compare=False)
    by_bare: Mapping[str, tuple[SegmentChoice, ...]] = field(init=False, repr=False, compare=False)
    lengths: tuple[int, ...] = field(init=False, repr=False, compare=False)
    bare_lengths: tuple[int, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        choices = tuple(self._choices())
        by_text: dict[str, tuple[SegmentChoice, ...]] = {}
        by_bare: dict[str, tuple[SegmentChoice, ...]] = {}
        for choice in choices:
            by_text[choice.text] = (*by_text.get(choice.text, ()), choice)
            by_bare[choice.bare] = (*by_bare.get(choice.bare, ()), choice)
        # Computed once: decoding a catalog looks pieces up by the hundred thousand.
        object.__setattr__(self, "choices", choices)
        object.__setattr__(self, "by_text", by_text)
        object.__setattr__(self, "by_bare", by_bare)
        object.__setattr__(self, "lengths", tuple(sorted({len(text) for text in by_text}, reverse=True)))
        object.__setattr__(self, "bare_lengths", tuple(sorted({len(text) for text in by_bare}, reverse=True)))

    def _choices(self) -> list[SegmentChoice]:
        made = [SegmentChoice("", "", "", each.sets, each.words) for each in self.missing]
        if self.kind == "text":
            made.append(self._choice(self.text, self.sets, self.words or self.name))
        elif self.kind == "codes":
            made.extend(self._choice(each.code, each.sets, each.words) for each in self.codes)
        else:
            for number in range(self.least, self.most + 1):
                value = write_inches(number * self.unit)
                said = f"{self.attribute} {value}" + (" in" if self.attribute == "length" else "")
                made.append(self._choice(f"{number:0{self.digits}d}", ((self.attribute, value),), said))
        return made

    def _choice(self, piece: str, sets: Sets, words: str) -> SegmentChoice:
        text = (self.separator + piece).upper()
        return SegmentChoice(text, without_separators(text), piece.upper(), sets, words)

    @property
    def optional(self) -> bool:
        """Whether the segment may be left out."""
        return bool(self.missing)


Conditions = tuple[tuple[str, tuple[str, ...]], ...]


@dataclass(frozen=True, slots=True)
class PatternRule:
    """`forbid`: the combination in `when` does not exist. `allow`: given `when`, only `then` exists.

    Conditions are (attribute, values); the value '' stands for an attribute that is not set.
    """

    kind: str
    when: Conditions
    then: Conditions
    reason: str

    def broken_by(self, values: Mapping[str, str]) -> bool:
        """Whether these attributes, as text by name, break the rule."""
        if not _hold(self.when, values):
            return False
        return self.kind == "forbid" or not _hold(self.then, values)

    @property
    def attributes(self) -> frozenset[str]:
        """The names of the attributes that the rule looks at."""
        return frozenset(name for name, _ in (*self.when, *self.then))


def _hold(conditions: Conditions, values: Mapping[str, str]) -> bool:
    return all(values.get(name, "") in allowed for name, allowed in conditions)


@dataclass(frozen=True, slots=True)
class Pattern:
    """A maker's part-number pattern. `rules_after[i]` are those that can be judged after segment i."""

    name: str
    maker: str
    segments: tuple[Segment, ...]
    rules: tuple[PatternRule, ...] = ()
    rules_after: tuple[tuple[PatternRule, ...], ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        last: dict[str, int] = {}
        for index, segment in enumerate(self.segments):
            for choice in segment.choices:
                last.update(dict.fromkeys((name for name, _ in choice.sets), index))
        after: list[list[PatternRule]] = [[] for _ in self.segments]
        for rule in self.rules:
            decided = max((last.get(name, 0) for name in rule.attributes), default=0)
            after[decided].append(rule)
        object.__setattr__(self, "rules_after", tuple(tuple(rules) for rules in after))


def repeated_codes(codes: Sequence[Code | None], field: str, where: str = "") -> list[Problem]:
    """The codes that stand there twice, capitals aside; None stands for a row that could not be read."""
    problems = []
    seen: dict[str, int] = {}
    for row, code in enumerate(codes, 1):
        if code is None:
            continue
        first = seen.setdefault(code.code.upper(), row)
        if first != row:
            text = f"Code {code.code} stands twice{where}, in rows {first} and {row}."
            problems.append(Problem(f"{field}[{row}]", text))
    return problems


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


def _code(row: Reader) -> Code:
    return Code(row.value("code", _printed), row.value("sets", _sets, _NO_SETS), row.text("words"))


def _meaning(row: Reader) -> Meaning:
    return Meaning(row.value("sets", _sets, _NO_SETS), row.text("words"))


def _segment(read: Reader) -> Segment:
    for key in _SEGMENT_KEYS:  # what only another kind has is passed over
        read.has(key)
    name = read.text("name", 60)
    kind = read.raw("kind")
    separator = read.value("separator", _separator, "")
    missing = read.rows("missing", _meaning, 20)
    of_kind: dict[str, Any] = {}
    if kind == "text":
        of_kind = {
            "text": read.value("text", _printed),
            "sets": read.value("sets", _sets, _NO_SETS),
            "words": read.text("words") if read.raw("words") else name,
        }
    elif kind == "codes":
        of_kind = {"codes": read.rows("codes", _code, MOST_CODES)}
        if read.raw("codes") in (None, []):
            read.refuse("codes", "This code table is empty; give at least one code.")
        elif None in of_kind["codes"]:
            read.note(repeated_codes(of_kind["codes"], "codes"))
    elif kind == "number":
        of_kind = _number(read)
    else:
        read.refuse("kind", f"{quoted(kind)} is no kind of segment. Use {', '.join(KINDS)}.")
    read.done()  # a segment works out its choices when it is made
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


def _rule(read: Reader) -> PatternRule:
    kind = read.raw("kind")
    when, then = read.value("when", _conditions, _NO_CONDITIONS), read.value("then", _conditions, _NO_CONDITIONS)
    reason = read.text("reason")
    if kind == "forbid" and (read.raw("then") or not read.raw("when")):
        read.refuse("when", "A rule that forbids has its whole combination in 'when'.")
    elif kind == "allow" and not read.raw("then"):
        read.refuse("then", "A rule that allows says in 'then' what is allowed.")
    elif kind not in ("allow", "forbid"):
        read.refuse("kind", f"{quoted(kind)} is no kind of rule. Use allow or forbid.")
    return PatternRule(kind, when, then, reason)


def pattern_from_json(given: object, maker: str = "") -> Pattern:
    """A pattern from plain values; Problems name every segment, code and rule at fault, such as `segments[2].kind`.

    Checks shape only; `check_pattern` tells whether its numbers can be told apart.
    """
    read = Reader(given)
    name, segments, rules = pattern_parts(read)
    read.done()
    return Pattern(name=name, maker=maker, segments=segments, rules=rules)


def pattern_parts(read: Reader) -> tuple[str, tuple[Segment, ...], tuple[PatternRule, ...]]:
    """A pattern's name, segments and rules; None stands for what cannot be read."""
    name = read.text("name", 60)
    segments = read.rows("segments", _segment, MOST_SEGMENTS)
    if read.raw("segments") in (None, []):
        read.refuse("segments", "A pattern has at least one segment.")
    return name, segments, read.rows("rules", _rule, 200)
