"""A maker's part-number pattern as data: ordered segments, what a missing one means, and rules."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from app.fitting.inches import write_inches

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
