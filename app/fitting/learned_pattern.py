"""How a maker puts its part numbers together, as learned from its price list: pieces, codes, and how sure each is."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any

from app.errors import BitternError
from app.fitting.part_numbers import clean_number
from app.fitting.patterns import SEPARATORS
from app.fitting.phrase_meanings import meant
from app.validation import Form, JsonDataclass

MOST_WAYS = 2_000


def _read_share(given: object) -> float:
    if isinstance(given, bool) or not isinstance(given, int | float) or not 0 <= given <= 1:
        raise BitternError("", "Enter a share from 0 to 1 here.")
    return float(given)


@dataclass(frozen=True, slots=True)
class LearnedSegment(JsonDataclass):
    """A piece that varies by itself.

    `before` always stands in front of it, `separator` only with its code. `codes` gives each code's meaning as the
    list says it, "" where no words tell it; `times` how many numbers have the code. `missing` is what the list says
    where an optional piece is left out. `attribute` is what the piece means, None where nobody knows; `sure` from 0
    to 1 how sure its borders and codes are, and `doubts` why they are not. `sets` has what each code says of a
    cylinder, by attribute.
    """

    name: str
    codes: Mapping[str, str]
    attribute: str | None = None
    optional: bool = False
    before: str = ""
    separator: str = ""
    missing: str = ""
    sure: Annotated[float, Form(_read_share)] = 1.0
    doubts: tuple[str, ...] = ()
    times: Mapping[str, int] = field(default_factory=dict)
    sets: Mapping[str, Mapping[str, str]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class LearnedPattern(JsonDataclass):
    """The pieces in their order; `after` is what every number ends with, `always` what the words say of each."""

    segments: tuple[LearnedSegment, ...]
    after: str = ""
    always: tuple[str, ...] = ()

    def read(self, number: str) -> dict[str, str] | None:
        """The code of each segment by its name, those left out not among them; None for a number of another make.

        A number that can be read in two ways is read by the codes that the list has most often.
        """
        ways = self.ways(number)
        if not ways:
            return None
        best = max(ways, key=self._weight)
        return {segment.name: code for segment, code in zip(self.segments, best, strict=True) if code is not None}

    def _weight(self, codes: tuple[str | None, ...]) -> tuple[int, int]:
        said = [segment.times.get(code or "", 0) for segment, code in zip(self.segments, codes, strict=True)]
        return (min(said, default=0), sum(said))

    def ways(self, number: str) -> list[tuple[str | None, ...]]:
        """Every way to read a number: a code for each segment, None where it is left out."""
        try:
            text = clean_number(number)
        except BitternError:
            return []
        found = []
        for way in self._walk(text, 0, 0):
            found.append(way)
            if len(found) >= MOST_WAYS:
                break
        return found

    def _walk(self, text: str, index: int, place: int) -> Iterator[tuple[str | None, ...]]:
        if index == len(self.segments):
            if text[place:] == self.after:
                yield ()
            return
        segment = self.segments[index]
        if not text.startswith(segment.before, place):
            return
        place += len(segment.before)
        start = place + len(segment.separator)
        if text.startswith(segment.separator, place):
            for length in sorted({len(code) for code in segment.codes}, reverse=True):
                code = text[start : start + length]
                if len(code) == length and code in segment.codes:
                    for rest in self._walk(text, index + 1, start + length):
                        yield (code, *rest)
        if segment.optional:
            for rest in self._walk(text, index + 1, place):
                yield (None, *rest)

    def as_maker_file(self, name: str = "numbers") -> dict[str, Any]:
        """The pattern as a maker's file holds it (`pattern_from_json`)."""
        segments: list[dict[str, Any]] = []
        always = {key: value for phrase in self.always for key, value in meant(phrase).items()}
        names = {segment.name for segment in self.segments}
        for segment in self.segments:
            separator = segment.separator
            fixed, mark = _parted(segment.before)
            if segment.optional or separator or len(mark) > MOST_MARKS:
                fixed, mark = segment.before, ""
            if fixed:
                segments.append(_fixed(fixed, names))
            segments.append(_varying(segment, separator or mark))
        if self.after:
            segments.append(_fixed(self.after, names))
        if always:
            _say_always(segments, always, ", ".join(self.always)[:200])
        return {"name": name, "segments": segments, "rules": []}


MOST_MARKS = 3


def _parted(text: str) -> tuple[str, str]:
    """A fixed text, and the separators that it ends with."""
    body = text.rstrip(SEPARATORS)
    return body, text[len(body) :]


def _fixed(text: str, names: set[str]) -> dict[str, Any]:
    body = text.lstrip(SEPARATORS)
    mark = text[: len(text) - len(body)] if body and len(text) - len(body) <= MOST_MARKS else ""
    body = text[len(mark) :]
    number = 1
    name = f"always {body}"[:50]
    while name in names:
        number += 1
        name = f"always {body}"[:50] + f" {number}"
    names.add(name)
    return {"name": name, "kind": "text", "separator": mark, "text": body}


def _varying(segment: LearnedSegment, separator: str) -> dict[str, Any]:
    codes = [
        {"code": code, "sets": _typed(segment.sets.get(code, {})), "words": (words or code)[:200]}
        for code, words in segment.codes.items()
    ]
    made: dict[str, Any] = {"name": segment.name, "kind": "codes", "separator": separator, "codes": codes}
    if segment.optional:
        made["missing"] = [{"sets": _typed(segment.sets.get("", {})), "words": segment.missing or "left out"}]
    return made


def _typed(sets: Mapping[str, str]) -> dict[str, Any]:
    return {name: int(value) if name in ("chambers", "drilled") else value for name, value in sets.items()}


def _say_always(segments: list[dict[str, Any]], sets: Mapping[str, str], words: str) -> None:
    """What the words say of every number goes with its first fixed text, else with each code of a piece that is
    never left out."""
    for segment in segments:
        if segment["kind"] == "text":
            segment["sets"], segment["words"] = _typed(sets), words
            return
    for segment in segments:
        if "missing" not in segment:
            for code in segment["codes"]:
                code["sets"] = {**_typed(sets), **code["sets"]}
            return
