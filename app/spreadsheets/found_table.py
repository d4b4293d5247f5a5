"""Find the table in rows that somebody sent: its head, its columns with samples, and what is no row of it."""

import re
from bisect import bisect_left
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import compress, islice, zip_longest

from app.spreadsheets.sheet import SentSheet, column_letters, corners_of
from app.spreadsheets.table_file import Row
from app.spreadsheets.writing import MOST_IN_CELL, unguarded

SAMPLES = 5
_SAMPLED = 500  # cells among which the samples are
_LOOKED_AT = 40  # lines among which the head may stand
_STEP = 100  # rows that become columns at once: of a long table no row is kept, and a step's cells are near at hand
_TOTALS_BEGIN = frozenset("tTsSgGcCbB")
_TOTAL = re.compile(r"(?i)(grand[ -]?|sub[ -]?)?totals?|sum|carried forward|brought forward")
_TOTAL_OF = re.compile(r"(?i)((grand[ -]?|sub[ -]?)?totals?|sum)\b")
_AMOUNT = re.compile(r"[$€£]?\s?[\d.,]+")
_Lines = Sequence[tuple[int, list[str]]]


@dataclass(frozen=True, slots=True)
class FoundColumn:
    """A column: its place from 0, its letter, its heading ("" where none stands over it), and some of its cells.

    None of its cells is longer than `longest`; `is_plain`: none has a character that cannot be printed.
    """

    place: int
    letter: str
    heading: str
    samples: tuple[str, ...]
    longest: int = MOST_IN_CELL
    is_plain: bool = False


@dataclass(frozen=True, slots=True)
class RowAside:
    """A row that is no row of the table, by its number in the file, and why."""

    row: int
    reason: str


@dataclass(frozen=True)
class FoundTable:
    """The table: columns, its rows' numbers in the file, what was set aside, titles above it, what to tell.

    It is kept by column, each as long as the table, its cells stripped and unguarded.
    """

    columns: tuple[FoundColumn, ...]
    numbers: Sequence[int] = field(repr=False)
    by_place: Sequence[Sequence[str]] = field(repr=False)
    aside: tuple[RowAside, ...] = ()
    titles: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    head: int = 0  # the row in which the head begins, 0 where there is none

    @property
    def rows(self) -> list[tuple[int, list[str]]]:
        """Each row's number and its cells, put together anew."""
        return [(number, [*cells]) for number, *cells in zip(self.numbers, *self.by_place, strict=True)]

    def cells(self, place: int) -> Sequence[str]:
        """A column's cells."""
        return self.by_place[place] if self.numbers else ()


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
    numbers, kept = _by_place(rows)
    by_place = [column.cells for column in kept]
    notes = ([f"Read as {sheet.encoding}."] if sheet.encoding else []) + filled
    keys = {frozenset(heading_key(name).split()) for name in known}
    lines = [(number, _line(by_place, at)) for at, number in enumerate(numbers[:_LOOKED_AT])]
    place, deep = _find_head(lines, keys, across)
    if head_row is not None and head_row != (numbers[place] if deep else 0):
        place = bisect_left(numbers, head_row) % max(1, len(numbers))
        deep = int(head_row > 0)
    head = [(numbers[at], _line(by_place, at)) for at in range(place, min(place + deep, len(numbers)))]
    titles = tuple(" ".join(filter(None, _line(by_place, at)))[:200] for at in range(place))
    headings = _headings(head, len(by_place), across, keys)
    numbers, by_place = numbers[place + deep :], [cells[place + deep :] for cells in by_place]
    while by_place and not headings[len(by_place) - 1] and not any(by_place[-1]):
        by_place.pop()
    aside = _aside(numbers, by_place, head[-1][1] if head else [], across)
    if aside:
        out = {one.row for one in aside}
        stays = [number not in out for number in numbers]
        numbers, by_place = [*compress(numbers, stays)], [[*compress(cells, stays)] for cells in by_place]
    columns = tuple(
        FoundColumn(at, column_letters(at), headings[at], _samples(cells), kept[at].longest, kept[at].is_plain)
        for at, cells in enumerate(by_place)
        if headings[at] or any(cells)
    )
    return FoundTable(columns, numbers, by_place, tuple(aside), titles, tuple(notes), head[0][0] if head else 0)


class _Cells:
    """A column while its rows are read."""

    def __init__(self, above: int) -> None:
        self.cells = [""] * above
        self.longest, self.is_plain = 0, True

    def add(self, cells: Iterable[str]) -> None:
        """The next ones."""
        these = [*map(str.strip, cells)]
        text = "".join(these)
        if "'" in text:
            these = [*map(unguarded, these)]
        self.cells += these
        self.longest = max(self.longest, *map(len, these))
        self.is_plain = self.is_plain and text.isprintable()


def _by_place(rows: Iterable[Row]) -> tuple[Sequence[int], list[_Cells]]:
    """The numbers of the rows that are not blank, and their cells by column."""
    columns: list[_Cells] = []
    count, left = 0, iter(rows)
    while step := [*islice(left, _STEP)]:
        by_place = [*zip_longest(*step, fillvalue="")]
        columns += [_Cells(count) for _ in range(len(columns), len(by_place))]
        by_place += [("",) * len(step)] * (len(columns) - len(by_place))
        for column, cells in zip(columns, by_place, strict=True):
            column.add(cells)
        count += len(step)
    if any("" not in column.cells for column in columns):
        return range(1, count + 1), columns
    filled = [*map(any, zip(*(column.cells for column in columns), strict=True))]
    for column in columns:
        column.cells = [*compress(column.cells, filled)]
    return [*compress(range(1, count + 1), filled)], columns


def _line(by_place: Sequence[Sequence[str]], at: int) -> list[str]:
    """A row without the empty cells at its end."""
    cells = [column[at] for column in by_place]
    while cells and not cells[-1]:
        cells.pop()
    return cells


def _samples(cells: Sequence[str]) -> tuple[str, ...]:
    first = dict.fromkeys(filter(None, islice(cells, _SAMPLED)))
    return tuple(islice(first, SAMPLES)) or tuple(islice(filter(None, cells), 1))


_Across = Mapping[int, Sequence[tuple[int, int]]]  # row number → first and last column of each range along it


def _unmerged(sheet: SentSheet) -> tuple[Iterable[Row], _Across, list[str]]:
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
    if place + 2 < len(lines):
        upper, lower = lines[place], lines[place + 1]
        if any(
            _known(f"{one} {other}", keys) and not (_known(one, keys) or _known(other, keys))
            for one, other in zip(upper[1], lower[1], strict=False)
        ):
            return place, 2  # Cat. over no.
    if place + 2 < len(lines) and wordy[place + 1]:
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


def _aside(
    numbers: Sequence[int], by_place: Sequence[Sequence[str]], head: Sequence[str], across: _Across
) -> list[RowAside]:
    """What is no row of the table, and why."""
    if not numbers:
        return []
    firsts = by_place[0]
    if "" in firsts:
        firsts = [cell or next(filter(None, cells)) for cell, *cells in zip(*by_place, strict=True)]
    heading = next(filter(None, head), "")
    looked_at = {
        at
        for at, first in enumerate(firsts)
        if first == heading or (first[0] in _TOTALS_BEGIN and (_TOTAL_OF.match(first) or _TOTAL.match(first)))
    }
    looked_at |= {at for row in across if (at := bisect_left(numbers, row)) < len(numbers) and numbers[at] == row}
    aside = []
    for at in sorted(looked_at):
        number, first, cells = numbers[at], firsts[at], _line(by_place, at)
        if _is_total(cells, first):
            aside.append(RowAside(number, f"{first[:40]!r} is a total."))
        elif head and cells == head:
            aside.append(RowAside(number, "The headings stand here again."))
        elif number in across and sum(map(bool, cells)) == 1:
            aside.append(RowAside(number, f"{first[:40]!r} is a title across merged cells."))
    return aside


def _is_total(cells: Sequence[str], first: str) -> bool:
    if _TOTAL.fullmatch(first.rstrip(" :.")):
        return len(cells) == 1 or sum(map(bool, cells)) < len(cells) or len(cells) == 2
    others = [cell for cell in cells if cell and cell != first]
    return bool(others and _TOTAL_OF.match(first)) and all(map(_AMOUNT.fullmatch, others))
