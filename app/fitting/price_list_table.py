"""A maker's price list as a table: numbers, and beside each the words of every column as a value."""

from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

from app.errors import BitternError
from app.fitting.number_pieces import ABSENT
from app.fitting.part_numbers import clean_number
from app.fitting.patterns import SEPARATORS
from app.fitting.phrase_columns import phrase_columns, split_phrases

_OFTEN = 0.15
_LEAST_BASE = 8


@dataclass(frozen=True, slots=True)
class ListedNumber:
    """A row of a maker's price list: the number as it stands there, and the words beside it, "" where none do."""

    number: str
    words: str = ""


Entry = tuple[str, tuple[str, ...]]


def listed_entries(rows: Sequence[ListedNumber]) -> list[Entry]:
    """The numbers of a list in capitals, each with its phrases, once; without what is no number at all."""
    entries: dict[Entry, None] = {}
    for row in rows:
        try:
            entries[clean_number(row.number), split_phrases(row.words)] = None
        except BitternError:
            continue
    return list(entries)


class PriceListTable:
    """The entries of a list. `numbers`: in capitals; `columns`: of each column of words every row's value, ABSENT
    where a row lacks it; `meanings`: of each column each value's words; `told`: the rows whose words fit the columns;
    `base`: those that the pattern is learned from, all with words unless said; `worded`: how many have words. `mark`:
    what stood between the phrases of a row."""

    def __init__(self, entries: Sequence[Entry], base: Collection[int] | None = None, mark: str = ", ") -> None:
        self.numbers = [number for number, _ in entries]
        self.worded = sum(bool(phrases) for _, phrases in entries)
        table = phrase_columns([phrases for _, phrases in entries], base, mark)
        width = next((len(row) for row in table if row is not None), 0)
        self.told = [index for index, row in enumerate(table) if row is not None]
        self.base = [row for row in self.told if base is None or row in base]
        self.has_words = [row is not None for row in table]
        self.meanings: list[list[str]] = [[] for _ in range(width)]
        self.columns: list[list[int]] = [[] for _ in range(width)]
        for column in range(width):
            values: dict[str, int] = {}
            for found in table:
                phrase = found[column] if found else None
                if phrase is None:
                    self.columns[column].append(ABSENT)
                    continue
                value = values.setdefault(phrase.casefold(), len(values))
                if value == len(self.meanings[column]):
                    self.meanings[column].append(phrase)
                self.columns[column].append(value)

    def values_seen(self, column: int) -> frozenset[int]:
        """Every value of a column in the rows of the base, ABSENT among them where a row lacks it."""
        return frozenset(self.columns[column][row] for row in self.base)


def likely_bases(entries: Sequence[Entry]) -> Iterator[frozenset[int] | None]:
    """The rows that one maker's pattern is likely to be learned from: all (None); else those with as many phrases as
    most have, and one less or more, those with the separators that most have, and those that begin as most do."""
    yield None
    told = [index for index, (_, phrases) in enumerate(entries) if phrases]
    if not told:
        return
    length = Counter(len(entries[index][1]) for index in told).most_common(1)[0][0]
    marks = Counter(separators_of(entries[index][0]) for index in told)
    first = Counter(entries[index][0][0] for index in told).most_common(1)[0][0]
    by_marks = frozenset(index for index in told if marks[separators_of(entries[index][0])] >= _OFTEN * len(told))
    by_first = frozenset(index for index in told if entries[index][0][0] == first)
    seen = {frozenset(told)}
    for lengths in ((length,), (length - 1, length), (length, length + 1)):
        by_length = frozenset(index for index in told if len(entries[index][1]) in lengths)
        for base in (by_length, by_length & by_marks, by_length & by_first):
            if len(base) >= _LEAST_BASE and base not in seen:
                seen.add(base)
                yield base


def separators_of(number: str) -> str:
    """The separators of a number, in their order."""
    return "".join(character for character in number if character in SEPARATORS)
