"""Many part numbers of one maker at once: what `decode_any` would say first, shared work done once."""

from collections.abc import Sequence

from app.fitting.cylinder import CylinderAttributes, from_texts
from app.fitting.part_numbers import LONGEST_NUMBER, MOST_READINGS, PartNumberError, decode_any
from app.fitting.patterns import Pattern, SegmentChoice, Sets
from app.validation import quoted

_Way = tuple[tuple[SegmentChoice, ...], Sets]
_MOST_WAYS = 200  # more ways to read the rest of a number than this are left to the careful reader
_MOST_KEPT = 200_000


class _TooMany(Exception):
    """There are too many ways to read one number for the short cut."""


class _Suffixes:
    """Every way to read the end of a number from a segment on, remembered: catalogs repeat their endings."""

    def __init__(self, pattern: Pattern) -> None:
        self.pattern = pattern
        self.kept: dict[tuple[int, str], tuple[_Way, ...]] = {}

    def ways(self, index: int, text: str) -> tuple[_Way, ...]:
        """The ways to fill the segments from `index` on with exactly `text`, rules aside, in `decode`'s order."""
        if index == len(self.pattern.segments):
            return (((), ()),) if not text else ()
        key = (index, text)
        found = self.kept.get(key)
        if found is None:
            found = tuple(self._ways(index, text))
            if len(found) > _MOST_WAYS:
                raise _TooMany
            if index > 1 and len(self.kept) < _MOST_KEPT:  # whole numbers do not come again, endings do
                self.kept[key] = found
        return found

    def _ways(self, index: int, text: str) -> list[_Way]:
        segment, found = self.pattern.segments[index], []
        for length in segment.lengths:
            if length > len(text):
                continue
            for choice in segment.by_text.get(text[:length], ()):
                for choices, sets in self.ways(index + 1, text[length:]):
                    if not choice.sets:
                        found.append(((choice, *choices), sets))
                    elif not _contradict(choice.sets, sets):
                        found.append(((choice, *choices), (*choice.sets, *sets)))
        return found


def _contradict(first: Sets, second: Sets) -> bool:
    return any(name == other and value != another for name, value in first for other, another in second)


class BulkDecoder:
    """Decodes numbers of a maker's patterns, each to the attributes of `decode_any`'s first reading.

    >>> from app.fitting.patterns import Code
    >>> from app.fitting.patterns import Segment
    >>> kind = Segment("type", "codes", codes=(Code("R", (("type", "rim"),), "rim"),))
    >>> BulkDecoder((Pattern("one", "Own", (kind,)),)).read("R")[1].type
    'rim'
    """

    def __init__(self, patterns: Sequence[Pattern]) -> None:
        self.patterns = tuple(patterns)
        self._suffixes = [_Suffixes(pattern) for pattern in self.patterns]
        self._watched = [sorted({name for rule in each.rules for name in rule.attributes}) for each in self.patterns]
        self._broken: list[dict[tuple[str | None, ...], bool]] = [{} for _ in self.patterns]

    def read(self, number: str, *, explain: bool = True) -> tuple[str, CylinderAttributes]:
        """A number as its maker writes it, and its attributes; PartNumberError when it is not understood.

        explain: name the piece at fault and the nearest legal number as `decode_any` does, which takes its time;
        else the refusal only says that the number fits no pattern.
        """
        # Only a number in the maker's own writing takes the short cut; the rest is for the careful reader.
        if len(number) <= LONGEST_NUMBER and number.isascii() and number.isprintable() and number == number.upper():
            for place, suffixes in enumerate(self._suffixes):
                try:
                    best = self._best(place, suffixes.ways(0, number))
                except (_TooMany, RecursionError):
                    break
                if best is not None:
                    return number, best
        if not explain and number.isascii() and number == number.upper():
            raise PartNumberError(f"{quoted(number)} fits no part-number pattern.", "", number, (), None)
        reading = decode_any(self.patterns, number)[0]
        return reading.part_number, reading.attributes

    def _best(self, place: int, ways: Sequence[_Way]) -> CylinderAttributes | None:
        """The first of the legal readings with the fewest pieces left out, one meaning once."""
        legal = []
        for choices, sets in ways:
            values = dict(sets)
            if not self._is_broken(place, values):
                legal.append((choices, values))
        maker = self.patterns[place].maker
        if len(legal) == 1:
            return from_texts(legal[0][1], maker)
        found: dict[CylinderAttributes, int] = {}
        for choices, values in legal:
            found.setdefault(from_texts(values, maker), sum(not choice.piece for choice in choices))
            if len(found) == MOST_READINGS:
                break
        return min(found, key=lambda each: found[each], default=None)

    def _is_broken(self, place: int, values: dict[str, str]) -> bool:
        # Rules look at a few attributes only, so their answers are few, whatever the number of parts.
        key = tuple(map(values.get, self._watched[place]))
        answer = self._broken[place].get(key)
        if answer is None:
            answer = any(rule.broken_by(values) for rule in self.patterns[place].rules)
            self._broken[place][key] = answer
        return answer
