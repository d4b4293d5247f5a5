"""Which column of a table is which of those that one hopes for: by its heading, else by the look of its cells."""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from enum import Enum

from app.spreadsheets.found_table import FoundColumn, FoundTable, heading_key

_SURE, _CLOSE, _LOOKED = 0.95, 0.84, 0.5


class CellLook(Enum):
    """What the cells of a column look like where a heading says nothing; ANY tells nothing."""

    ANY = ""
    MONEY = r"(?i)(us)?[$€£]?\s?\d[\d.,]*[.,]\d\d(\s?[$€£])?|[$€£]\s?\d[\d.,]*"
    DAY = r"\d{4}-\d\d-\d\d([ T].*)?|\d{1,2}[/.]\d{1,2}[/.]\d{2,4}|\d{1,2}[ -][A-Za-z]{3}[ -]\d{2,4}"
    MAIL = r"[^@\s]+@[^@\s]+\.[^@\s]+"
    PHONE = r"\+?[\d(][\d ()./-]{5,}\d(\s?(x|ext\.?)\s?\d+)?"
    CODE = r"(?=.*\d)[\w./#-]{2,40}"
    WHOLE = r"\d{1,6}"
    WORDS = r"(?=.*[a-z]).* .*"
    YES_NO = r"(?i)y|n|yes|no|true|false|x"
    HAND = r"(?i)[lr]hr?b?"


@dataclass(frozen=True, slots=True)
class WantedColumn:
    """A column that one hopes for: its name, other headings that mean it, what its cells look like."""

    name: str
    also: tuple[str, ...] = ()
    look: CellLook = CellLook.ANY


@dataclass(frozen=True, slots=True)
class ColumnGuess:
    """The place of a column; sure where its heading says so plainly."""

    place: int
    is_sure: bool


def guess_columns(table: FoundTable, wanted: Sequence[WantedColumn]) -> dict[str, ColumnGuess]:
    """Which column is which, by name; each column once, and what nothing tells is left out.

    >>> from app.spreadsheets import SentSheet, find_table
    >>> table = find_table(SentSheet((["Item no.", "Descripton"], ["A1", "cam"])), ["item no"])
    >>> guess_columns(table, [WantedColumn("number", ("item no",)), WantedColumn("description")])["description"]
    ColumnGuess(place=1, is_sure=False)
    """
    scored = sorted(
        (
            (-score, order, column.place, one.name)
            for order, one in enumerate(wanted)
            for column in table.columns
            if (score := _score(column, one)) >= _LOOKED
        )
    )
    found: dict[str, ColumnGuess] = {}
    taken: set[int] = set()
    for score, _, place, name in scored:
        if name not in found and place not in taken:
            found[name] = ColumnGuess(place, -score >= _SURE)
            taken.add(place)
    return found


def _score(column: FoundColumn, one: WantedColumn) -> float:
    """From 0 to 1; a heading that says it counts more than any look, a look only where no heading speaks."""
    heading = heading_key(column.heading)
    names = [heading_key(name) for name in (one.name, *one.also)]
    looks = bool(one.look.value) and bool(column.samples) and all(map(_pattern(one.look), column.samples))
    if not heading:
        return _LOOKED if looks else 0
    if heading in names:
        return 1 - names.index(heading) / 1000
    words = frozenset(heading.split())
    if any(frozenset(name.split()) == words for name in names):
        return 0.96
    ratio = max(SequenceMatcher(None, heading, name).ratio() for name in names)
    if ratio >= _CLOSE:
        return ratio - 0.05 + 0.01 * looks
    inside = max((len(name) for name in names if name and words.issuperset(name.split())), default=0)
    if inside:
        return 0.6 + 0.2 * inside / len(heading) + 0.05 * looks
    return 0


def _pattern(look: CellLook) -> Callable[[str], object]:
    return re.compile(look.value).fullmatch
