"""A maker's price list as a table: numbers, and beside each the words of every column as a value."""

from collections.abc import Sequence
from dataclasses import dataclass

from app.errors import BitternError
from app.fitting.number_pieces import ABSENT
from app.fitting.part_numbers import clean_number
from app.fitting.phrase_columns import phrase_columns, split_phrases


@dataclass(frozen=True, slots=True)
class ListedNumber:
    """A row of a maker's price list: the number as it stands there, and the words beside it, "" where none do."""

    number: str
    words: str = ""


class PriceListTable:
    """The rows of a list, each once. `numbers`: in capitals; `columns`: of each column of words every row's value,
    ABSENT where a row lacks it; `meanings`: of each column each value's words; `told`: the rows with words."""

    def __init__(self, rows: Sequence[ListedNumber]) -> None:
        self.numbers: list[str] = []
        phrases = []
        seen = set()
        for row in rows:
            try:
                key = (clean_number(row.number), split_phrases(row.words))
            except BitternError:
                continue  # no number at all; it is told among those that cannot be read
            if key not in seen:
                seen.add(key)
                self.numbers.append(key[0])
                phrases.append(key[1])
        table = phrase_columns(phrases)
        width = next((len(row) for row in table if row is not None), 0)
        self.told = [index for index, row in enumerate(table) if row is not None]
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
        """Every value of a column in the rows with words, ABSENT among them where a row lacks it."""
        return frozenset(self.columns[column][row] for row in self.told)
