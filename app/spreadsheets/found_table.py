"""Find the table in rows that somebody sent: its head, its columns with samples, and what is no row of it."""

import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import islice

from app.spreadsheets.sheet import SentSheet, column_letters, corners_of
from app.spreadsheets.table_file import Row
from app.spreadsheets.writing import unguarded

SAMPLES = 5
_LOOKED_AT = 40  # lines among which the head may stand
_TOTAL = re.compile(r"(?i)(grand[ -]?|sub[ -]?)?totals?|sum|carried forward|brought forward")
_TOTAL_OF = re.compile(r"(?i)((grand[ -]?|sub[ -]?)?totals?|sum)\b")
_AMOUNT = re.compile(r"[$€£]?\s?[\d.,]+")
_Lines = Sequence[tuple[int, list[str]]]


@dataclass(frozen=True, slots=True)
class FoundColumn:
    """A column: its place from 0, its letter, its heading ("" where none stands over it), and some of its cells."""

    place: int
    letter: str
    heading: str
    samples: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RowAside:
    """A row that is no row of the table, by its number in the file, and why."""

    row: int
    reason: str


@dataclass(frozen=True)
class FoundTable:
    """The table: columns, rows with their numbers in the file, what was set aside, titles above it, what to tell.

    Cells are stripped and unguarded, each row as wide as the table.
    """

    columns: tuple[FoundColumn, ...]
    rows: list[tuple[int, list[str]]] = field(repr=False)
    aside: tuple[RowAside, ...] = ()
    titles: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    head: int = 0  # the row in which the head begins, 0 where there is none

    @cached_property
    def _by_place(self) -> tuple[tuple[str, ...], ...]:
        return tuple(zip(*(cells for _, cells in self.rows), strict=True))

    def cells(self, place: int) -> tuple[str, ...]:
        """A column's cells."""
        return self._by_place[place] if self.rows else ()


def heading_key(heading: str) -> str:
    """A heading without what people write differently.

    >>> heading_key("  Part-No. "), heading_key("List_Price ($)")
    ('part no', 'list price')
    """
    return " ".join(re.sub(r"[^\w#&%]+|_", " ", heading.casefold()).split())


def find_table(sheet: SentSheet, known: Collection[str] = (), head_row: int | None = None) -> FoundTable:
    """The table of a sheet. known: headings one hopes for, which help to find the head; others are kept all the same.
    head_row: where somebody says that it is, 0 for nowhere.

    Titles may stand above the head, the head may stand in two rows, cells may be merged; blank rows, totals and heads
    that stand again further down are no rows of the table.

    >>> table = find_table(SentSheet((["Price list"], ["Code", "Price"], ["A", "1.00"], ["Total", "1.00"])))
    >>> [column.heading for column in table.columns], table.rows, table.aside[0].row, table.titles
    (['Code', 'Price'], [(3, ['A', '1.00'])], 4, ('Price list',))
    """
    rows, across, filled = _unmerged(sheet)
    lines = [(number, cells) for number, cells in enumerate(map(_stripped, rows), start=1) if any(cells)]
    notes = ([f"Read as {sheet.encoding}."] if sheet.encoding else []) + filled
    keys = {frozenset(heading_key(name).split()) for name in known}
    place, deep = _find_head(lines[:_LOOKED_AT], keys, across)
    if head_row is not None and head_row != (lines[place][0] if deep else 0):
        place = next((at for at, (number, _) in enumerate(lines) if number >= head_row), 0)
        deep = int(head_row > 0)
    head, body = lines[place : place + deep], lines[place + deep :]
    width = max((len(cells) for _, cells in (*head, *body)), default=0)
    headings = _headings(head, width, across, keys)
    while width and not headings[width - 1] and not any(len(row) == width and row[-1] for _, row in body):
        width -= 1
        body = [(number, cells[:width]) for number, cells in body]
    rows_of, aside = _rows(body, width, head[-1][1] if head else [], across)
    by_place = [*zip(*(cells for _, cells in rows_of), strict=True)] or [()] * width
    columns = tuple(
        FoundColumn(at, column_letters(at), headings[at], tuple(islice(filter(None, dict.fromkeys(cells)), SAMPLES)))
        for at, cells in enumerate(by_place)
        if headings[at] or any(cells)
    )
    titles = tuple(" ".join(filter(None, cells))[:200] for _, cells in lines[:place])
    return FoundTable(columns, rows_of, tuple(aside), titles, tuple(notes), head[0][0] if head else 0)


def _stripped(row: Row) -> list[str]:
    cells = [*map(str.strip, row)]
    if "'" in "".join(cells):
        cells = [*map(unguarded, cells)]
    if cells == row:
        cells = row  # so that a long table is in memory once
    while cells and not cells[-1]:
        cells.pop()
    return cells


_Across = Mapping[int, Sequence[tuple[int, int]]]  # row number → first and last column of each range along it


def _unmerged(sheet: SentSheet) -> tuple[Sequence[Row], _Across, list[str]]:
    """The rows with merged cells' values in each of their rows, and which ranges lie along one row."""
    across: dict[int, list[tuple[int, int]]] = {}
    down = []
    for cells in sheet.merged:
        top, left, bottom, right = corners_of(cells)
        if right > left:
            across.setdefault(top + 1, []).append((left, right))
        if bottom > top:
            down.append((cells, top, left, bottom))
    if not down:
        return sheet.rows, across, []
    rows, notes = [list(row) for row in sheet.rows], []
    for cells, top, left, bottom in down:
        value = rows[top][left] if top < len(rows) and left < len(rows[top]) else ""
        if not value.strip():
            continue
        for row in rows[top + 1 : bottom + 1]:
            row += [""] * (left + 1 - len(row))
            row[left] = value
        notes.append(f"{cells} is merged: its value is taken for each of its rows.")
    return rows, across, notes


def _is_data(cell: str) -> bool:
    """Whether a cell is plainly no heading: mostly digits, or a code.

    >>> _is_data("$1,234.50"), _is_data("A18M-Q3"), _is_data("Address 1"), _is_data("2027 list price")
    (True, True, False, False)
    """
    digits = sum(map(str.isdigit, cell))
    letters = sum(map(str.isalpha, cell))
    return digits > 0 and not (letters and " " in cell and letters >= 2 * digits) and (digits > 1 or not letters)


def _known(cell: str, keys: Collection[frozenset[str]]) -> bool:
    return bool(cell) and frozenset(heading_key(cell).split()) in keys


def _find_head(lines: _Lines, keys: Collection[frozenset[str]], across: _Across) -> tuple[int, int]:
    """Where in the lines the head begins, and in how many rows it stands; 0 rows where there is none."""
    wordy = [not any(map(_is_data, cells)) for _, cells in lines]
    counts = [sum(_known(cell, keys) for cell in cells) for _, cells in lines]
    filled = [sum(map(bool, cells)) for _, cells in lines]
    usual = Counter(filled).most_common(1)[0][0] if filled else 0
    place = next((at for at, count in enumerate(counts) if wordy[at] and count >= min(2, usual)), None)
    if place is None or (filled[place] == 1 and usual > 1):
        named = next((at for at, count in enumerate(counts) if wordy[at] and count and filled[at] >= usual), None)
        place = named if named is not None else _likely_head(lines, wordy, filled, usual)
    if place is None:
        first = next((at for at, count in enumerate(filled) if count >= min(2, usual)), 0)
        return first, 0
    if place and wordy[place - 1] and _is_group(lines[place - 1], lines[place], across):
        return place - 1, 2
    if place + 2 < len(lines) and wordy[place + 1]:
        upper, lower = lines[place], lines[place + 1]
        joined = _headings([upper, lower], max(len(upper[1]), len(lower[1])), across, keys)
        single = _headings([upper], len(joined), across, keys)
        parts = [
            sum(_known(one, keys) or _known(cell, keys) for one, cell in zip(heads, cells, strict=True))
            for heads, cells in ((joined, [*lower[1], *[""] * len(joined)][: len(joined)]), (single, single))
        ]
        is_below_group = upper[0] in across and _is_group(upper, lower, across)
        if parts[0] > parts[1] or is_below_group:
            return place, 2
    return place, 1


def _likely_head(lines: _Lines, wordy: Sequence[bool], filled: Sequence[int], usual: int) -> int | None:
    """The first row of words alone with rows below that are not, and none of these above."""
    for at, is_wordy in enumerate(wordy):
        if not is_wordy:
            return None
        if filled[at] >= max(min(2, usual), 0.6 * usual) and not all(wordy[at + 1 : at + 6]):
            return at
    return None


def _is_group(upper: tuple[int, list[str]], lower: tuple[int, list[str]], across: _Across) -> bool:
    """Whether the upper row names groups of the lower one's columns: not in the first column alone, as a title."""
    cells = upper[1]
    places = [at for at, cell in enumerate(cells) if cell]
    if lower[0] - upper[0] != 1 or places == [0]:
        return False
    ranges = across.get(upper[0], ())
    if any(left == 0 and right >= len(lower[1]) - 1 for left, right in ranges):
        return False
    return bool(ranges) or (len(places) < sum(map(bool, lower[1])) and "" in cells)


def _headings(head: _Lines, width: int, across: _Across, keys: Collection[frozenset[str]]) -> list[str]:
    """The heading of each column; of two rows the upper one's words stand before the lower one's.

    Not where the lower one's alone are hoped for: a title of a group may end before them.
    """
    if not head:
        return [""] * width
    rows = [[*cells, *[""] * width][:width] for _, cells in head]
    if len(rows) == 1:
        return rows[0]
    upper, lower = rows
    ranges = across.get(head[0][0], ())
    carried = [*upper]
    for at in range(1, width):
        if carried[at] or not lower[at]:
            continue
        inside = next((left for left, right in ranges if left <= at <= right), None)
        if inside is not None:
            carried[at] = upper[inside]
        elif not ranges and lower[at - 1]:
            carried[at] = carried[at - 1]
    joined = [one if one == other else f"{one} {other}".strip() for one, other in zip(carried, lower, strict=True)]
    return [
        low if not up and _known(low, keys) and not _known(one, keys) else one
        for one, up, low in zip(joined, upper, lower, strict=True)
    ]


def _rows(
    body: _Lines, width: int, head: Sequence[str], across: _Across
) -> tuple[list[tuple[int, list[str]]], list[RowAside]]:
    rows: list[tuple[int, list[str]]] = []
    aside = []
    blanks = [""] * width
    for line in body:
        number, cells = line
        first = cells[0] or next(filter(None, cells))
        if first[0] in "tTsSgGcCbB" and _is_total(cells, first):
            aside.append(RowAside(number, f"{first[:40]!r} is a total."))
        elif head and cells == head:
            aside.append(RowAside(number, "The headings stand here again."))
        elif number in across and sum(map(bool, cells)) == 1:
            aside.append(RowAside(number, f"{first[:40]!r} is a title across merged cells."))
        else:
            rows.append(line if len(cells) == width else (number, cells + blanks[len(cells) :]))
    return rows, aside


def _is_total(cells: Sequence[str], first: str) -> bool:
    if _TOTAL.fullmatch(first.rstrip(" :.")):
        return len(cells) == 1 or sum(map(bool, cells)) < len(cells) or len(cells) == 2
    others = [cell for cell in cells if cell and cell != first]
    return bool(others and _TOTAL_OF.match(first)) and all(map(_AMOUNT.fullmatch, others))
