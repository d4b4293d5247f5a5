"""Learn from a maker's price list how its part numbers are put together: pieces, codes and what they mean."""

from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from random import Random

from app.fitting.learned_pattern import MOST_MARKS, LearnedPattern, LearnedSegment
from app.fitting.number_parts import NumberPart, shared_beginning, tidied
from app.fitting.number_pieces import ABSENT, LONGEST_CODE, BorderSearch, FoundPiece
from app.fitting.pattern_doubts import with_doubts
from app.fitting.pattern_settling import recounted
from app.fitting.patterns import SEPARATORS
from app.fitting.phrase_meanings import meant, piece_meanings
from app.fitting.price_list_table import (
    Entry,
    ListedNumber,
    PriceListTable,
    likely_bases,
    listed_entries,
    separators_of,
)
from app.fitting.running_words import part_running_words
from app.fitting.wordless_pieces import cut_wordless

MOST_ROWS_SEARCHED = 160  # borders are told by that many; the others are read by what was found
MOST_RECOUNTED = 500
LEAST_FAMILY = 8  # numbers, for a pattern of their own
_ROUNDS = 4
_LEAST_SPLIT = 2  # rows that have the same words with another code
_GUESS = 0.05
_NEARLY_ALL = 0.97
_MOST = 0.75
_COMMON = 0.1  # of the rows have a code that is surely one of the maker's


@dataclass(frozen=True, slots=True)
class Lesson:
    """What was learned of a list: the pattern, and the numbers that it cannot read, as the list writes them."""

    pattern: LearnedPattern
    unread: tuple[str, ...]


def learn_pattern(rows: Sequence[ListedNumber]) -> Lesson:
    """How the numbers of a price list are put together, told by the words that vary with each piece.

    A row that fits nothing that the others have in common, as another maker's, is unread. Without words the borders
    are guesses, and `sure` says so.
    """
    entries = listed_entries(rows)
    phrases = [each for _, each in entries]
    parted = part_running_words(phrases)
    is_running = parted != phrases
    pattern = LearnedPattern(())
    if not is_running or max(map(len, phrases)) > 1:
        pattern = _learned(entries)
    if is_running:
        by_meaning = _learned([(number, each) for (number, _), each in zip(entries, parted, strict=True)], " ")
        pattern = max(pattern, by_meaning, key=partial(_how_much_told, [number for number, _ in entries]))
    unread = tuple(dict.fromkeys(row.number for row in rows if pattern.read(row.number) is None))
    return Lesson(pattern, unread)


def _how_much_told(numbers: Sequence[str], pattern: LearnedPattern) -> tuple[int, int]:
    """How many pieces say what they mean, less those that are guesses, and how many numbers are read."""
    pieces = pattern.segments
    read = sum(pattern.read(number) is not None for number in numbers)
    told = sum(bool(each.attribute) - (not any(each.codes.values())) for each in pieces)
    return (told, read) if read >= _NEARLY_ALL * len(numbers) else (-len(numbers), read)


def _learned(entries: Sequence[Entry], mark: str = ", ") -> LearnedPattern:
    best: _Attempt | None = None
    for base in likely_bases(entries):
        attempt = _Attempt(PriceListTable(entries, base, mark))
        if 0 < len(attempt.alike) < len(attempt.table.base):
            again = _Attempt(PriceListTable(entries, attempt.alike, mark))
            attempt = max(again, attempt, key=lambda each: each.worth)
        if best is None or attempt.worth > best.worth:
            best = attempt
        if attempt.is_whole:
            break
    return best.pattern() if best else LearnedPattern(())


def learn_patterns(rows: Sequence[ListedNumber]) -> tuple[Lesson, ...]:
    """All that a price list holds, as cylinders and then locks: each lesson is learned from the numbers that the ones
    before cannot read, as long as most of what it gets to see is read by its words."""
    lessons: list[Lesson] = []
    left = list(rows)
    while len(left) >= LEAST_FAMILY:
        lesson = learn_pattern(left)
        read = len(left) - sum(row.number in lesson.unread for row in left)
        is_told = all(any(segment.codes.values()) for segment in lesson.pattern.segments)
        if lessons and (read < LEAST_FAMILY or not is_told):
            break
        lessons.append(lesson)
        unread = set(lesson.unread)
        left = [row for row in left if row.number in unread]
        if not read:
            break
    return tuple(lessons)


def families_within(numbers: Sequence[str]) -> dict[str, list[list[str]]]:
    """The ways in which numbers fall into families that can each have a pattern of its own, largest first: by their
    separators ("marks"), by what they begin with ("first")."""
    ways: dict[str, list[list[str]]] = {}
    for way, told in (("marks", separators_of), ("first", _first)):
        groups: dict[str, list[str]] = defaultdict(list)
        for number in numbers:
            groups[told(number)].append(number)
        families = sorted(groups.values(), key=len, reverse=True)
        if len(families) > 1 and len(families[-1]) >= LEAST_FAMILY and families not in ways.values():
            ways[way] = families
    return ways


def _first(number: str) -> str:
    return number.strip()[:1].upper()


class _Attempt:
    """The parts of the numbers as learned from one base of rows, and how much of the list they explain; `alike` are
    the rows that are read by their words and have codes in common with the others."""

    def __init__(self, table: PriceListTable) -> None:
        self.table = table
        sample = _sample(table)
        search = BorderSearch(
            [table.numbers[row] for row in sample], [[column[row] for row in sample] for column in table.columns]
        )
        self.parts = [_part(piece) for piece in search.run()]
        proven = _settle_codes(table, self.parts)
        self.alike = _alike(table, self.parts, proven)
        _add_wordless(table, self.parts)

    @property
    def guesses(self) -> list[NumberPart]:
        """The pieces that no words tell."""
        return [part for part in self.parts if part.varies and not part.has_words]

    @property
    def worth(self) -> float:
        """How many rows are explained, less for each piece and code that no words tell."""
        less = sum(_GUESS * len(self.table.numbers) + len(part.codes) for part in self.guesses)
        return len(self.alike) - less

    @property
    def is_whole(self) -> bool:
        """Whether nothing better is to be looked for: all is explained, or all but what another maker may make."""
        worded, based = self.table.worded, len(self.table.base)
        return not self.guesses and len(self.alike) >= _NEARLY_ALL * based and based >= _MOST * worded

    def pattern(self) -> LearnedPattern:
        """What was learned, with what each piece means and how sure it is."""
        for part in self.parts:
            if part.has_words:
                part.seen = self.table.values_seen(part.column)
        parts = []
        for part in self.parts:
            parts += cut_wordless(part) if part.varies and not part.has_words else [part]
        parts = tidied(parts, self.table.meanings)
        pattern = _named(_pattern(self.table, parts))
        if self.guesses:
            pattern = recounted(pattern, self.table.numbers[:MOST_RECOUNTED])
        return with_doubts(self.table, [part for part in parts if part.varies], pattern)


def _sample(table: PriceListTable) -> list[int]:
    """Rows enough to tell the borders, from the whole base by chance: every twentieth row of a list in its order may
    have the same finish."""
    base = table.base or list(range(len(table.numbers)))
    chance = Random(len(base))  # noqa: S311  nobody's secret
    return sorted(chance.sample(base, min(len(base), MOST_ROWS_SEARCHED)))


def _part(piece: FoundPiece) -> NumberPart:
    if piece.text:
        return NumberPart(piece.text)
    if piece.column is None:
        return NumberPart(codes=dict(enumerate(sorted(piece.bare))), varies=True)
    return NumberPart(column=piece.column, codes=dict(piece.codes), varies=True)


def _options(table: PriceListTable, part: NumberPart, row: int) -> list[str] | None:
    """What a part can be written as in a row, by its words; None where nobody knows yet."""
    if not part.varies:
        return [part.text]
    if not part.has_words or not table.has_words[row]:
        return sorted(set(part.codes.values()), key=lambda code: (-len(code), code))
    value = table.columns[part.column][row]
    if value == ABSENT:
        return [""]
    return [part.codes[value]] if value in part.codes else None


def _matches(number: str, options: Sequence[list[str] | None], index: int, place: int) -> Iterator[tuple[str, ...]]:
    """Every way to write a number of these options; an unknown one may be any text that leaves the rest known."""
    if index == len(options):
        if place == len(number):
            yield ()
        return
    known = options[index]
    if known is None:
        known = [number[place:end] for end in range(place, min(len(number), place + LONGEST_CODE) + 1)]
    for text in known:
        if number.startswith(text, place):
            for rest in _matches(number, options, index + 1, place + len(text)):
                yield (text, *rest)


def _settle_codes(table: PriceListTable, parts: Sequence[NumberPart]) -> set[int]:
    """Keep the codes that some row is read whole with; then learn those of the rows outside the search. Gives the
    rows that are read whole."""
    waiting = list(table.told)
    proven = _read_whole(table, parts, waiting)
    for index, part in enumerate(parts):
        if part.has_words:
            part.codes = {value: code for value, code in part.codes.items() if value in proven[index]}
    for _ in range(_ROUNDS):
        votes = _votes(table, parts, waiting)
        if not votes:
            break
        for (index, value), counts in votes.items():
            part = parts[index]
            part.codes[value] = max(counts, key=partial(_rank, part, counts))
        _read_whole(table, parts, waiting)
    if _split_values(table, parts, waiting):
        _read_whole(table, parts, waiting)
    return set(table.told) - set(waiting)


def _split_values(table: PriceListTable, parts: Sequence[NumberPart], rows: Sequence[int]) -> bool:
    """Give words that stand for two codes of one piece a second value; only where several rows that are known but for
    it say so. Whether any was found."""
    votes: dict[tuple[int, int, str], set[int]] = defaultdict(set)
    for row in rows:
        options = [_options(table, part, row) for part in parts]
        for index, part in enumerate(parts):
            if None in options or not part.has_words or options[index] == [""]:
                continue
            for way in _matches(table.numbers[row], [*options[:index], None, *options[index + 1 :]], 0, 0):
                votes[index, table.columns[part.column][row], way[index]].add(row)
    is_found = False
    while votes:
        key = max(votes, key=lambda each: (len(votes[each]), _is_shaped(parts[each[0]], each[2]), each))
        having = votes.pop(key)
        if len(having) < _LEAST_SPLIT:
            break
        index, value, code = key
        meanings, column = table.meanings[parts[index].column], table.columns[parts[index].column]
        meanings.append(meanings[value])
        parts[index].codes[len(meanings) - 1] = code
        for row in having:
            column[row] = len(meanings) - 1
        votes = {each: left for each, others in votes.items() if (left := others - having)}
        is_found = True
    return is_found


def _add_wordless(table: PriceListTable, parts: Sequence[NumberPart]) -> None:
    """Learn the codes that only rows without words have, where one piece of such a row is new and looks like the
    piece's other codes."""
    fresh = -2  # a value that no words have
    for row, number in enumerate(table.numbers):
        if table.has_words[row] or not table.told:
            continue
        options = [_options(table, part, row) for part in parts]
        if next(_matches(number, options, 0, 0), None) is not None:
            continue
        found = {
            (index, way[index])
            for index, part in enumerate(parts)
            if part.varies
            for way in _matches(number, [*options[:index], None, *options[index + 1 :]], 0, 0)
            if _is_shaped(part, way[index])
        }
        if len(found) == 1:
            index, code = found.pop()
            parts[index].codes[fresh] = code
            fresh -= 1


def _alike(table: PriceListTable, parts: Sequence[NumberPart], rows: Collection[int]) -> frozenset[int]:
    """Those of the rows that have codes in common with most: a few that only have codes of their own are of another
    maker. Codes that only those have are taken out."""
    worded = [part for part in parts if part.has_words]
    written = {
        row: [
            (index, code)
            for index, part in enumerate(worded)
            if (code := part.codes.get(table.columns[part.column][row], ""))
        ]
        for row in rows
    }
    times = Counter(each for codes in written.values() for each in codes)
    least = _COMMON * len(written)
    common = {each for each, number in times.items() if number >= least}
    alike: set[int] = set()
    while True:
        further = {
            row
            for row, codes in written.items()
            if row not in alike and sum(each in common for each in codes) * 3 > len(codes) * (len(codes) > 1)
        }
        if not further:
            break
        alike |= further
        common.update(each for row in further for each in written[row])
    for index, part in enumerate(worded):
        part.codes = {value: code for value, code in part.codes.items() if not code or (index, code) in common}
    return frozenset(alike)


def _rank(part: NumberPart, counts: Counter[str], code: str) -> tuple[int, bool, int, str]:
    return counts[code], _is_shaped(part, code), -len(code), code


def _read_whole(table: PriceListTable, parts: Sequence[NumberPart], waiting: list[int]) -> list[set[int]]:
    """Take the rows that their words read whole off those that wait; gives the values of each part that they have."""
    proven: list[set[int]] = [set() for _ in parts]
    left = []
    for row in waiting:
        options = [_options(table, part, row) for part in parts]
        if None in options or next(_matches(table.numbers[row], options, 0, 0), None) is None:
            left.append(row)
            continue
        for part, values in zip(parts, proven, strict=True):
            if part.has_words:
                values.add(table.columns[part.column][row])
    waiting[:] = left
    return proven


def _votes(
    table: PriceListTable, parts: Sequence[NumberPart], rows: Sequence[int]
) -> dict[tuple[int, int], Counter[str]]:
    """For each part and value without a code yet, what stands in its place in the rows that are known but for it."""
    votes: dict[tuple[int, int], Counter[str]] = defaultdict(Counter)
    for row in rows:
        options = [_options(table, part, row) for part in parts]
        unknown = [index for index, each in enumerate(options) if each is None]
        if len(unknown) not in (1, 2):
            continue
        ways = list(dict.fromkeys(_matches(table.numbers[row], options, 0, 0)))
        if len(unknown) == 2:
            ways = [way for way in ways if all(_is_shaped(parts[index], way[index]) for index in unknown)]
            if len(ways) != 1:
                continue
        for way in ways:
            for index in unknown:
                votes[index, table.columns[parts[index].column][row]][way[index]] += 1
    return votes


def _is_shaped(part: NumberPart, code: str) -> bool:
    """Whether a code has letters and digits where one that the part has, has them."""
    return any(_shape(code) == _shape(each) for each in part.codes.values())


def _shape(code: str) -> str:
    return "".join("9" if each.isdigit() else "A" if each.isalpha() else each for each in code)


def _pattern(table: PriceListTable, parts: Sequence[NumberPart]) -> LearnedPattern:
    segments: list[LearnedSegment] = []
    before = ""
    for part in parts:
        if part.varies:
            segments.append(_segment(table, part, before))
            before = ""
        else:
            before += part.text
    always = tuple(
        meanings[0]
        for column, meanings in enumerate(table.meanings)
        if len(meanings) == 1 and table.values_seen(column) == {0}
    )
    return LearnedPattern(tuple(segments), before, always)


def _segment(table: PriceListTable, part: NumberPart, before: str) -> LearnedSegment:
    optional = "" in part.written
    mark = _shared_mark([code for code in part.written if code]) if optional else ""
    rows = Counter(table.columns[part.column][row] for row in table.told) if part.has_words else Counter[int]()
    codes: dict[str, str] = {}
    times: Counter[str] = Counter()
    missing = ""
    for value, code in part.codes.items():
        meaning = table.meanings[part.column][value] if part.has_words and value >= 0 else ""
        if code:
            codes.setdefault(code[len(mark) :], meaning)
        else:
            missing = meaning
        times[code[len(mark) :]] += rows[value]
    times[""] += rows[ABSENT]
    return LearnedSegment("", codes, None, optional, before, mark, missing, times=dict(times))


def _shared_mark(codes: Sequence[str]) -> str:
    """The separator that all codes begin with."""
    front = shared_beginning(codes)
    mark = front[: len(front) - len(front.lstrip(SEPARATORS))]
    return mark if len(mark) <= MOST_MARKS and all(len(code) > len(mark) for code in codes) else ""


def _named(pattern: LearnedPattern) -> LearnedPattern:
    """The pattern with what each piece means, and its name after that."""
    always = {name for phrase in pattern.always for name in meant(phrase)}
    pieces = [{**each.codes, **({"": each.missing} if each.missing else {})} for each in pattern.segments]
    named = [
        replace(segment, name=found.name, attribute=found.attribute, sets=found.sets)
        for segment, found in zip(pattern.segments, piece_meanings(pieces, always), strict=True)
    ]
    return replace(pattern, segments=tuple(named))
