"""Where the borders between the pieces of part numbers are, told from the words that vary with each piece."""

import heapq
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import count

from app.fitting.patterns import SEPARATORS

END = "\n"  # behind each number, so that its end is a border like any other
ABSENT = -1
LONGEST_CODE = 12
LONGEST_BARE = 8
MOST_STRAY = 0.12  # of the rows may not fit a piece: they are of another make, or slips
_BRANCHES = 3
_MOST_STATES = 60
_LONGEST_ANCHOR = 6
_PASSES = 2
_FAR_BEHIND = 3.0  # rows, by which a column tells less than the best
_WORDLESS = 3.0  # a piece that no words tell comes next
_MOST_OF_TWO = 0.75
_TWO_CODES = 2.0  # costs as much as so many rows
_EMPTY = 0.5  # less likely than a code that is seen


@dataclass(frozen=True, slots=True)
class FoundPiece:
    """A piece between two borders. `column`: of the words that vary with it, None where none do; `text`: what is
    always there (then it is no piece that varies); `codes`: what each value of the column is written as."""

    column: int | None
    text: str
    codes: Mapping[int, str]
    bare: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class _State:
    """How far each row was read, None for one that was lost on the way; the columns that are left."""

    places: tuple[int | None, ...]
    columns: frozenset[int]
    pieces: tuple[FoundPiece, ...]
    cost: float


@dataclass(slots=True)
class _Best:
    cost: float
    pieces: tuple[FoundPiece, ...]


class _Groups:
    """Characters by the value that goes with them: how many stray from what is commonest with each."""

    __slots__ = ("free", "rows", "stray", "strays_of")

    def __init__(self, keys: Iterable[int], characters: Iterable[str]) -> None:
        counts = Counter(zip(keys, characters, strict=True))
        sizes: dict[int, int] = {}
        most: dict[int, int] = {}
        for (key, _), number in counts.items():
            sizes[key] = sizes.get(key, 0) + number
            if number > most.get(key, 0):
                most[key] = number
        self.strays_of = {key: size - most[key] for key, size in sizes.items()}
        self.rows = sum(sizes.values())
        self.stray = sum(self.strays_of.values())
        self.free = self.rows - len(sizes)

    @property
    def penalty(self) -> float:
        """How many rows would stray if each value were seen often; half of those that nothing can be said of."""
        if not self.free:
            return self.rows * 0.5
        return self.stray / self.free * self.rows


def is_marked(characters: Iterable[str]) -> bool:
    """Whether all are one separator: seldom as it may be, that is no chance."""
    found = set(characters)
    return len(found) == 1 and found <= set(SEPARATORS)


class BorderSearch:
    """Reads all numbers from the left at once, piece by piece, and tries the likeliest ways first.

    The next piece is one whose column of words tells each row's next character; it ends where the character that
    follows is told by another column, or is always the same.
    """

    def __init__(self, numbers: Sequence[str], columns: Sequence[Sequence[int]]) -> None:
        self.texts = [number + END for number in numbers]
        self.columns = columns
        self.best: _Best | None = None

    def run(self) -> tuple[FoundPiece, ...]:
        """The pieces of the way that loses fewest rows."""
        varying = frozenset(index for index, column in enumerate(self.columns) if len(set(column)) > 1)
        start = _State((0,) * len(self.texts), varying, (), 0.0)
        order = count()
        seen: set[tuple[tuple[int | None, ...], frozenset[int]]] = set()
        waiting: list[tuple[float, int, int, _State]] = [(0.0, 0, next(order), start)]
        for _ in range(_MOST_STATES):
            if not waiting:
                break
            weight, _, _, state = heapq.heappop(waiting)
            if self.best and weight >= self.best.cost:
                break
            state = self._past_fixed(state)
            if (state.places, state.columns) in seen:
                continue  # the same border, but for whose the fixed characters before it are
            seen.add((state.places, state.columns))
            for penalty, made in self._after(state):
                # Of two that are as likely, the one that is further.
                further = (weight - state.cost + penalty + made.cost, -len(made.pieces), next(order), made)
                heapq.heappush(waiting, further)
        return self.best.pieces if self.best else ()

    def _after(self, state: _State) -> list[tuple[float, _State]]:
        """The next states, each with how unlikely it is; keeps the state itself where nearly all rows are read."""
        rows = [row for row, place in enumerate(state.places) if place is not None]
        following = self._following(state, rows)
        ends = following.count(END)
        if ends >= len(rows) * (1 - MOST_STRAY) or not rows:
            cost = state.cost + len(rows) - ends + 2 * len(state.columns)
            if self.best is None or cost < self.best.cost:
                self.best = _Best(cost, state.pieces)
            if ends == len(rows):
                return []
        return self._ways(state, rows, following)

    def _following(self, state: _State, rows: Sequence[int]) -> list[str]:
        return [self.texts[row][state.places[row]] for row in rows]  # type: ignore[index]  # rows have places

    def _past_fixed(self, state: _State) -> _State:
        """The state behind all characters that are the same in every row."""
        read = [(text, place) for text, place in zip(self.texts, state.places, strict=True) if place is not None]
        length = 0
        while read and len(found := {text[place + length] for text, place in read}) == 1 and END not in found:
            length += 1
        if not length:
            return state
        text = read[0][0][read[0][1] : read[0][1] + length]
        places = tuple(None if place is None else place + length for place in state.places)
        return _State(places, state.columns, (*state.pieces, FoundPiece(None, text, {})), state.cost)

    def _ways(self, state: _State, rows: Sequence[int], following: Sequence[str]) -> list[tuple[float, _State]]:
        """The likeliest next states, each with how much strays from it."""
        found: list[tuple[float, _State]] = []
        candidates = sorted(self._candidates(state, rows, following))[:_BRANCHES]
        for penalty, column, empty in candidates:
            if penalty > candidates[0][0] + _FAR_BEHIND:
                break
            found += [(penalty + rest, made) for rest, made in self._piece(state, rows, column, empty)]
        if not candidates or candidates[0][0] > 0:
            for penalty, column, lost in self._with_two_codes(state, rows, following):
                values = self.columns[column]
                places = tuple(
                    None if place is None or values[row] == lost else place for row, place in enumerate(state.places)
                )
                without = _State(places, state.columns, state.pieces, state.cost + _TWO_CODES)
                kept = [row for row in rows if values[row] != lost]
                found += [
                    (penalty + rest, self._with_fixed(made))
                    for rest, made in self._piece(without, kept, column, ABSENT)
                ]
        character, most = Counter(following).most_common(1)[0]
        if character != END and most >= len(rows) * (1 - MOST_STRAY):
            # What strays is lost, and stands in the cost.
            found.append((0.0, self._fixed(state, rows, character)))
        if min((penalty for penalty, _ in found), default=len(rows)) > len(rows) * MOST_STRAY:
            found += self._bare(state, rows)
        return found

    def _fixed(self, state: _State, rows: Sequence[int], character: str) -> _State:
        lost = 0
        places: list[int | None] = list(state.places)
        for row in rows:
            place = state.places[row]
            if place is not None and self.texts[row][place] == character:
                places[row] = place + 1
            else:
                places[row], lost = None, lost + 1
        piece = FoundPiece(None, character, {})
        return _State(tuple(places), state.columns, (*state.pieces, piece), state.cost + lost)

    def _candidates(
        self, state: _State, rows: Sequence[int], following: Sequence[str]
    ) -> Iterator[tuple[float, int, int]]:
        """Columns that tell the next character: how much strays, the column, and the value that is written as
        nothing (ABSENT: none but what the words leave out)."""
        most = len(rows) * MOST_STRAY
        for column in state.columns:
            values = self.columns[column]
            pairs = [(values[row], each) for row, each in zip(rows, following, strict=True) if values[row] != ABSENT]
            groups = _Groups(*zip(*pairs, strict=True)) if pairs else _Groups((), ())
            if len(groups.strays_of) and groups.penalty <= most:
                yield groups.penalty, column, ABSENT
            if len(groups.strays_of) > 1 and groups.penalty > _EMPTY:
                worst = max(groups.strays_of, key=groups.strays_of.__getitem__)
                rest = [pair for pair in pairs if pair[0] != worst]
                without = _Groups(*zip(*rest, strict=True))
                if without.penalty <= most and (without.free or is_marked(each for _, each in rest)):
                    yield without.penalty + _EMPTY, column, worst

    def _with_fixed(self, state: _State) -> _State:
        """The state behind the fixed characters that follow, as a part of the last piece's codes: codes of the rows
        that are left for later may not have them."""
        further = self._past_fixed(state)
        if len(further.pieces) == len(state.pieces):
            return state
        *before, piece, fixed = further.pieces
        longer = replace(piece, codes={value: code + fixed.text for value, code in piece.codes.items()})
        return replace(further, pieces=(*before, longer))

    def _with_two_codes(
        self, state: _State, rows: Sequence[int], following: Sequence[str]
    ) -> Iterator[tuple[float, int, int]]:
        """Columns that tell the next character but for one value, whose words stand for two codes: how much strays,
        the column, and the value, whose rows are left for later."""
        for column in state.columns:
            values = self.columns[column]
            pairs = [(values[row], each) for row, each in zip(rows, following, strict=True) if values[row] != ABSENT]
            groups = _Groups(*zip(*pairs, strict=True)) if pairs else _Groups((), ())
            if len(groups.strays_of) < 2:
                continue
            worst = max(groups.strays_of, key=groups.strays_of.__getitem__)
            counts = Counter(each for value, each in pairs if value == worst).most_common()
            size = sum(number for _, number in counts)
            rest = [pair for pair in pairs if pair[0] != worst]
            two = len(counts) > 1 and counts[1][1] > 1 and counts[0][1] + counts[1][1] >= size * (1 - MOST_STRAY)
            if two and size < len(rows) * _MOST_OF_TWO:
                without = _Groups(*zip(*rest, strict=True))
                if without.free and without.penalty <= _EMPTY:
                    yield without.penalty, column, worst

    def _piece(self, state: _State, rows: Sequence[int], column: int, empty: int) -> list[tuple[float, _State]]:
        """The states behind the piece of a column, for each likely place of its end, best first."""
        values = self.columns[column]
        groups: dict[int, list[int]] = defaultdict(list)
        for row in rows:
            if values[row] not in (ABSENT, empty):
                groups[values[row]].append(row)
        heads = {value: self._head(state, members) for value, members in groups.items()}
        ending = {
            value: all(self._character(state, row, 0) == END for row in members) for value, members in groups.items()
        }
        rest = state.columns - {column}
        found: dict[tuple[tuple[int, int], ...], float] = {}
        for lengths in self._lengths(state, groups, heads):
            if not any(lengths.values()) or any(
                length > len(heads[value]) or (not length and not ending[value]) for value, length in lengths.items()
            ):
                continue
            found.setdefault(tuple(sorted(lengths.items())), self._quality(state, rows, lengths, values, rest, heads))
        if min(found.values(), default=1.0) > 0:
            for lengths in list(self._refined(state, groups, heads, rest)):
                penalty = self._quality(state, rows, lengths, values, rest, heads)
                found.setdefault(tuple(sorted(lengths.items())), penalty + 0.3)
        longest = tuple(sorted(self._longest(state, groups, heads).items()))
        if longest and min(found.values(), default=0.0) > len(rows) * MOST_STRAY:
            found[longest] = min(found.get(longest, _WORDLESS), _WORDLESS)
        ordered = sorted(found.items(), key=lambda each: (each[1], sum(length for _, length in each[0])))[:_BRANCHES]
        return [
            (penalty, self._behind(state, rows, column, empty, dict(lengths), heads)) for lengths, penalty in ordered
        ]

    def _head(self, state: _State, members: Sequence[int]) -> str:
        """The longest text that most of these rows go on with."""
        alive = [self.texts[row][state.places[row] :] for row in members]
        least = len(alive) * 0.6
        head = ""
        while len(head) < LONGEST_CODE:
            character, most = Counter(text[len(head)] for text in alive).most_common(1)[0]
            if character == END or most < least:
                break
            alive = [text for text in alive if text[len(head)] == character]
            head += character
        return head

    def _lengths(
        self, state: _State, groups: Mapping[int, Sequence[int]], heads: Mapping[int, str]
    ) -> Iterator[dict[int, int]]:
        """Likely lengths of each value's code: all the same, or up to a separator, or up to the end."""
        sizes = {value: len(members) for value, members in groups.items()}
        total = sum(sizes.values())
        for length in range(1, LONGEST_CODE + 1):
            short = sum(sizes[value] for value, head in heads.items() if len(head) < length)
            if short > total * 0.5:
                break
            yield {value: min(length, len(head)) for value, head in heads.items()}
        seen = {mark for members in groups.values() for row in members[:2] for mark in self.texts[row]}
        for mark in sorted(seen):
            if mark in SEPARATORS or mark == END:
                ends = {}
                for value, members in groups.items():
                    lengths = Counter(self._until(state, row, mark) for row in members)
                    ends[value] = min(lengths.most_common(1)[0][0], len(heads[value]))
                yield ends

    def _until(self, state: _State, row: int, mark: str) -> int:
        start = state.places[row] or 0
        end = self.texts[row].find(mark, start + 1)
        return (end if end >= 0 else len(self.texts[row]) - 1) - start

    def _longest(
        self, state: _State, groups: Mapping[int, Sequence[int]], heads: Mapping[int, str]
    ) -> dict[int, int]:
        """The length that all codes have when a piece that no words tell comes next: as far as values tell."""
        total = sum(len(members) for members in groups.values())
        longest: dict[int, int] = {}
        for length in range(1, LONGEST_CODE + 1):
            lengths = {value: min(length, len(head)) for value, head in heads.items()}
            strays = sum(
                not self.texts[row].startswith(heads[value][:length], state.places[row] or 0)
                for value, members in groups.items()
                for row in members
            ) + sum(len(groups[value]) for value, short in lengths.items() if short < length)
            if strays > total * MOST_STRAY:
                break
            longest = lengths
        return longest

    def _character(self, state: _State, row: int, further: int) -> str:
        """What stands so much further in a row; a row that is over stays at its end."""
        return self.texts[row][min((state.places[row] or 0) + further, len(self.texts[row]) - 1)]

    def _quality(
        self,
        state: _State,
        rows: Sequence[int],
        lengths: Mapping[int, int],
        values: Sequence[int],
        rest: frozenset[int],
        heads: Mapping[int, str],
    ) -> float:
        """How little is told of what stands behind a piece of these lengths, with the rows that have another code."""
        codes = {value: heads[value][:length] for value, length in lengths.items()}
        kept = [row for row in rows if self.texts[row].startswith(codes.get(values[row], ""), state.places[row] or 0)]
        return len(rows) - len(kept) + self._behind_fixed(state, kept, lengths, values, rest)

    def _behind_fixed(
        self,
        state: _State,
        rows: Sequence[int],
        lengths: Mapping[int, int],
        values: Sequence[int],
        rest: frozenset[int],
    ) -> float:
        """How little is told behind the characters that follow in every row: they may stand within a code."""
        starts = [(state.places[row] or 0) + lengths.get(values[row], 0) for row in rows]
        further = 0
        while rows:
            ahead = [self.texts[row][start + further] for row, start in zip(rows, starts, strict=True)]
            if len(set(ahead)) > 1:
                return self._told(rows, ahead, rest)
            if ahead[0] == END or ahead[0] in SEPARATORS:
                return 0.0
            further += 1
        return 0.0

    def _told(self, rows: Sequence[int], ahead: Sequence[str], rest: frozenset[int], deep: bool = True) -> float:
        """How little these characters are told by one column, or by being the same."""
        if not rows:
            return 0.0
        best = float(len(rows) - Counter(ahead).most_common(1)[0][1])
        for column in rest if best else ():
            values = self.columns[column]
            here = [index for index, row in enumerate(rows) if values[row] != ABSENT]
            if not here:
                continue
            groups = _Groups((values[rows[index]] for index in here), (ahead[index] for index in here))
            penalty = groups.penalty
            if deep and len(here) < len(rows) and penalty < best:
                gone = [index for index, row in enumerate(rows) if values[row] == ABSENT]
                penalty += self._told([rows[i] for i in gone], [ahead[i] for i in gone], rest - {column}, False)
            elif len(here) < len(rows):
                continue
            elif deep and penalty > _EMPTY and len(groups.strays_of) > 1:
                worst = max(groups.strays_of, key=groups.strays_of.__getitem__)
                kept = [index for index in here if values[rows[index]] != worst]
                gone = [index for index in here if values[rows[index]] == worst]
                without = _Groups((values[rows[index]] for index in kept), (ahead[index] for index in kept))
                if (without.free or is_marked(ahead[i] for i in kept)) and without.penalty < penalty:
                    more = self._told([rows[i] for i in gone], [ahead[i] for i in gone], rest - {column}, False)
                    penalty = min(penalty, without.penalty + more + _EMPTY)
            best = min(best, penalty)
        return best

    def _refined(
        self,
        state: _State,
        groups: Mapping[int, Sequence[int]],
        heads: Mapping[int, str],
        rest: frozenset[int],
    ) -> Iterator[dict[int, int]]:
        """Lengths of codes of unlike length: the commonest code's is tried, and the characters behind it tell where
        those of the same words begin behind the others."""
        anchor = max(groups, key=lambda value: (len(groups[value]), -value))
        for column in (None, *sorted(rest)):
            keys = None if column is None else self.columns[column]
            for tried in range(1, min(len(heads[anchor]), _LONGEST_ANCHOR) + 1):
                lengths = {anchor: tried}
                told: dict[int, Counter[str]] = defaultdict(Counter)
                self._count(told, state, keys, groups[anchor], tried)
                by_size = sorted(groups, key=lambda value: (-len(groups[value]), value))
                for _ in range(_PASSES):
                    for value in by_size:
                        members = groups[value]
                        if value in lengths and len(lengths) < len(groups):
                            continue
                        if value in lengths:
                            self._count(told, state, keys, members, lengths[value], -1)
                        usual = lengths.get(value, tried)
                        lengths[value] = self._likeliest(state, keys, members, len(heads[value]), told, usual)
                        self._count(told, state, keys, members, lengths[value])
                yield lengths

    def _count(
        self,
        told: dict[int, Counter[str]],
        state: _State,
        keys: Sequence[int] | None,
        members: Sequence[int],
        length: int,
        times: int = 1,
    ) -> None:
        for row in members:
            told[0 if keys is None else keys[row]][self._character(state, row, length)] += times

    def _likeliest(
        self,
        state: _State,
        keys: Sequence[int] | None,
        members: Sequence[int],
        longest: int,
        told: Mapping[int, Counter[str]],
        usual: int,
    ) -> int:
        """The length of a code behind which most characters are those that others have with the same words."""
        scores = {}
        for length in range(1, longest + 1):
            hits = 0.0
            for row in members:
                key = 0 if keys is None else keys[row]
                counts = told.get(key)
                if key != ABSENT and counts and (total := counts.total()):
                    hits += counts[self._character(state, row, length)] / total
            scores[length] = hits
        return min(scores, key=lambda length: (-round(scores[length], 6), length != usual, length), default=0)

    def _behind(
        self,
        state: _State,
        rows: Sequence[int],
        column: int,
        empty: int,
        lengths: Mapping[int, int],
        heads: Mapping[int, str],
    ) -> _State:
        values = self.columns[column]
        codes = {value: heads[value][:length] for value, length in lengths.items()}
        if empty != ABSENT:
            codes[empty] = ""
        places: list[int | None] = list(state.places)
        lost = 0
        for row in rows:
            place, code = state.places[row] or 0, codes.get(values[row], "")
            if self.texts[row].startswith(code, place):
                places[row] = place + len(code)
            else:
                places[row], lost = None, lost + 1
        piece = FoundPiece(column, "", codes)
        return _State(tuple(places), state.columns - {column}, (*state.pieces, piece), state.cost + lost)

    def _bare(self, state: _State, rows: Sequence[int]) -> list[tuple[float, _State]]:
        """The states behind a piece that no words tell."""
        ways: list[tuple[float, int, float, _State]] = []
        for order, lengths in enumerate(self._bare_lengths(state, rows)):
            places: list[int | None] = list(state.places)
            codes = set()
            for row, length in zip(rows, lengths, strict=True):
                start = state.places[row] or 0
                if start + length >= len(self.texts[row]):
                    places[row] = None
                else:
                    places[row] = start + length
                    codes.add(self.texts[row][start : start + length])
            alive = [row for row in rows if places[row] is not None]
            if len(alive) < len(rows) * (1 - MOST_STRAY) or len(codes) < 2:
                continue
            ahead = [self.texts[row][places[row] or 0] for row in alive]
            penalty = self._told(alive, ahead, state.columns)
            lost = len(rows) - len(alive)
            piece = FoundPiece(None, "", {}, frozenset(codes))
            made = _State(
                tuple(places), state.columns, (*state.pieces, piece), state.cost + lost + 3 + len(codes) / 2
            )
            ways.append((penalty + made.cost, order, penalty, made))
        ways.sort(key=lambda each: each[:2])
        return [(penalty, made) for _, _, penalty, made in ways[: _BRANCHES + 1]]

    def _bare_lengths(self, state: _State, rows: Sequence[int]) -> Iterator[list[int]]:
        """Likely lengths, row by row, of a piece that no words tell: up to a separator or the end, or all the same;
        or as long where its own separator stands there, or the number is longer than others, and else left out."""
        rest = [len(self.texts[row]) - 1 - (state.places[row] or 0) for row in rows]
        marks = sorted({mark for row in rows for mark in self.texts[row] if mark in SEPARATORS or mark == END})
        for mark in marks:
            yield [self._until_or_none(state, row, mark) for row in rows]
        for length in range(1, LONGEST_BARE + 1):
            yield [length] * len(rows)
        starting = [self._character(state, row, 0) for row in rows]
        for mark in sorted(set(starting) & set(SEPARATORS)):
            for length in range(2, LONGEST_BARE + 1):
                yield [length if character == mark else 0 for character in starting]
        if len(set(rest)) == 2:
            yield [each - min(rest) for each in rest]

    def _until_or_none(self, state: _State, row: int, mark: str) -> int:
        start = state.places[row] or 0
        end = self.texts[row].find(mark, start)
        return end - start if end >= 0 else len(self.texts[row])
