"""The words beside part numbers as columns: phrases parted by commas, of which a row may lack one or have its own."""

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from itertools import pairwise
from math import log

MOST_PHRASES = 30
_ROUNDS = 4
_ENOUGH = 8  # rows, before what they have in common is no chance
_LEAST_ROWS = 0.02  # of all rows have to be as long as the longest that is taken for a whole one
_STRANGE, _RELATED, _ELSEWHERE = 0.005, 0.2, 0.0001

PhraseRow = tuple[str | None, ...]


def split_phrases(words: str) -> tuple[str, ...]:
    """The phrases of a row's words.

    >>> split_phrases("mortise cylinder,  1-1/8 in, ")
    ('mortise cylinder', '1-1/8 in')
    """
    return tuple(phrase for each in words.split(",") if (phrase := " ".join(each.split())))


def phrase_columns(
    rows: Sequence[Sequence[str]], base: Collection[int] | None = None, mark: str = ", "
) -> list[PhraseRow | None]:
    """Each row's phrases by column, None where a row lacks one; None for a row that fits no columns.

    Phrases keep their order. Which one a shorter row lacks is told by what the others have in each column.
    Neighbors of which one always follows from the other are one column: that comma, or what `mark` says stands
    between phrases, stood within a phrase.
    `base`: the rows that the columns are made from, all unless told; the others are only put into them.
    """
    keys = [tuple(phrase.casefold() for phrase in row) for row in rows]
    based = range(len(keys)) if base is None else sorted(base)
    places = _places(Counter(keys[index] for index in based if keys[index]), set(keys))
    width = max((len(each) for each in places.values()), default=0)
    table: list[list[str | None] | None] = []
    for row, key in zip(rows, keys, strict=True):
        found = places.get(key)
        table.append([None if place is None else row[place] for place in found] if found else None)
    kept = _merged([table[index] for index in based], width)
    return [None if row is None else tuple(_joined(row, columns, mark) for columns in kept) for row in table]


def _joined(row: Sequence[str | None], columns: Sequence[int], mark: str) -> str | None:
    return mark.join(phrase for column in columns if (phrase := row[column]) is not None) or None


Places = tuple[int | None, ...]


def _places(times: Mapping[tuple[str, ...], int], keys: Collection[tuple[str, ...]]) -> dict[tuple[str, ...], Places]:
    """For each distinct row the place of its phrase in each column; `times`: how often those of the base stand."""
    lengths: Counter[int] = Counter()
    for key, number in times.items():
        if len(key) <= MOST_PHRASES:
            lengths[len(key)] += number
    least = max(min(2, lengths.total()), _LEAST_ROWS * lengths.total())
    width, longer = 0, 0
    for length in sorted(lengths, reverse=True):
        longer += lengths[length]
        if longer >= least:
            width = length
            break
    whole = {key: tuple(range(width)) for key in times if len(key) == width}
    shorter = sorted((key for key in times if 0 < len(key) < width), key=lambda key: (-len(key), key))
    profile = _Profile(width, whole, times)
    found: dict[tuple[str, ...], Places] = {}
    for key in shorter:
        found[key] = profile.best(key)
        profile.add(key, found[key], times[key])
    for _ in range(_ROUNDS if shorter else 0):
        profile = _Profile(width, {**whole, **found}, times)
        before, found = found, {key: profile.best(key) for key in shorter}
        if before == found:
            break
    found = _moved(found, {phrase for key in whole for phrase in key}, times, width)
    profile = _Profile(width, {**whole, **found}, times)
    further = {key: profile.best(key) for key in keys if key not in found and 0 < len(key) < width}
    return {**further, **found, **{key: tuple(range(width)) for key in keys if len(key) == width > 0}}


def _moved(
    found: Mapping[tuple[str, ...], Places],
    sure: Collection[str],
    times: Mapping[tuple[str, ...], int],
    width: int,
) -> dict[tuple[str, ...], Places]:
    """The places with each phrase moved to a column beside its own that is empty wherever it stands, where fewer
    columns are then empty at times: a phrase that no whole row has (not `sure`) could have been put into either."""
    total = sum(times.values())
    placed = {key: list(places) for key, places in found.items()}
    gaps = [sum(times[key] for key, places in placed.items() if places[column] is None) for column in range(width)]
    by_phrase: dict[tuple[str, int], list[tuple[str, ...]]] = {}
    for key, places in placed.items():
        for column, place in enumerate(places):
            if place is not None and key[place] not in sure:
                by_phrase.setdefault((key[place], column), []).append(key)
    for phrase, column in sorted(by_phrase):
        rows = by_phrase[phrase, column]
        number = sum(times[key] for key in rows)
        for beside in (column - 1, column + 1):
            if not 0 <= beside < width or any(placed[key][beside] is not None for key in rows):
                continue
            if any(placed[key][column] is None for key in rows):
                break  # it was moved away already
            now = _doubt(gaps[column], total) + _doubt(gaps[beside], total)
            then = _doubt(gaps[column] + number, total) + _doubt(gaps[beside] - number, total)
            if then < now - 1e-9:
                for key in rows:
                    placed[key][beside], placed[key][column] = placed[key][column], None
                gaps[column], gaps[beside] = gaps[column] + number, gaps[beside] - number
                break
    return {key: tuple(places) for key, places in placed.items()}


def _doubt(gaps: int, total: int) -> float:
    """How little is known beforehand of whether a column is empty: nothing where it always is or never."""
    share = gaps / total if total else 0.0
    return 0.0 if share in (0.0, 1.0) else -share * log(share) - (1 - share) * log(1 - share)


class _Profile:
    """How often each phrase stands in each column, and how often a column is left out."""

    def __init__(
        self, width: int, places: Mapping[tuple[str, ...], Places], times: Mapping[tuple[str, ...], int]
    ) -> None:
        self.width = width
        self.rows = 0
        self.known: Counter[str] = Counter()
        self.phrases: list[Counter[str]] = [Counter() for _ in range(width)]
        self.words: list[Counter[str]] = [Counter() for _ in range(width)]
        self.gaps = [0] * width
        for key, where in places.items():
            self.add(key, where, times[key])

    def add(self, key: tuple[str, ...], places: Places, times: int) -> None:
        self.rows += times
        for column, place in enumerate(places):
            if place is None:
                self.gaps[column] += times
            else:
                self.phrases[column][key[place]] += times
                self.known[key[place]] += times
                self.words[column].update(key[place].split())

    def _likely(self, phrase: str, column: int) -> float:
        if here := self.phrases[column][phrase]:
            return log(here / self.known[phrase])
        if self.known[phrase]:
            return log(_ELSEWHERE)
        related = any(self.words[column][word] for word in phrase.split())
        return log(_RELATED if related else _STRANGE)

    def best(self, key: tuple[str, ...]) -> Places:
        """The likeliest columns of a row's phrases, in their order."""
        # best[n]: the likeliest way to have put n phrases into the columns so far.
        best: list[tuple[float, Places]] = [(0.0, ())]
        for column in range(self.width):
            skip = log((self.gaps[column] + 1) / (self.rows + 2))
            further: list[tuple[float, Places]] = []
            for used in range(len(best) + 1):
                ways = []
                if used < len(best):
                    ways.append((best[used][0] + skip, (*best[used][1], None)))
                if 0 < used <= len(key):
                    weight = best[used - 1][0] + self._likely(key[used - 1], column)
                    ways.append((weight, (*best[used - 1][1], used - 1)))
                if ways:
                    further.append(max(ways, key=lambda way: way[0]))
            best = further
        return best[len(key)][1]


def _merged(table: Sequence[Sequence[str | None] | None], width: int) -> list[list[int]]:
    """The columns, with neighbors together of which one always follows from the other."""
    rows = [[None if cell is None else cell.casefold() for cell in row] for row in table if row]
    columns = [[column] for column in range(width)]
    for left, right in reversed(list(pairwise(range(width)))):
        one, other = [row[left] for row in rows], [row[right] for row in rows]
        if min(len(set(one)), len(set(other))) > 1 and (
            _follows(one, other) or _follows(other, one) or _take_turns(one, other)
        ):
            columns[left] += columns.pop(left + 1)
    return columns


def _follows(one: Sequence[str | None], other: Sequence[str | None]) -> bool:
    """Whether each value of `one` goes with a single value of `other`, often enough to be no chance."""
    pairs: dict[str | None, set[str | None]] = {}
    for first, second in zip(one, other, strict=True):
        pairs.setdefault(first, set()).add(second)
    repeated = len(one) - len(pairs)
    return all(len(values) == 1 for values in pairs.values()) and repeated >= max(4, len(one) // 4)


def _take_turns(one: Sequence[str | None], other: Sequence[str | None]) -> bool:
    """Whether just one of two is there, but for such as always stand together: phrases of one column with commas."""
    both = {
        (first, second) for first, second in zip(one, other, strict=True) if first is not None and second is not None
    }
    return (
        all(first is not None or second is not None for first, second in zip(one, other, strict=True))
        and len({first for first, _ in both}) == len(both) == len({second for _, second in both})
        and None in one
        and None in other
        and len(one) >= _ENOUGH
    )
