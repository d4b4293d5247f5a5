"""Rows of cells as values by named columns, with everything wrong by row and column; and the rows of a paste."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from app.errors import BitternError, Problem
from app.spreadsheets.writing import unguarded
from app.validation import check_length

MOST_ROWS = 100_000
NumberedRows = list[tuple[int, dict[str, Any]]]


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its name, how its text becomes a value (a BitternError refuses it), and what an empty cell means.

    `default` None: the cell may not be empty.
    """

    name: str
    read: Callable[[str, str], Any]
    default: Any = None


def read_rows(table: Sequence[Sequence[str]], columns: Sequence[Column]) -> tuple[NumberedRows, list[Problem]]:
    """The rows that are right, each with its number in the table and its values by column, and every problem.

    The first row names the columns; columns with a default may be absent. Empty rows are passed over, cells are
    read without their formula guards. A problem's field is `row N, column`.

    >>> columns = [Column("code", lambda text, field: text), Column("price", lambda text, field: int(text))]
    >>> rows, problems = read_rows([["code", "price"], ["A", "1"], ["B", ""]], columns)
    >>> rows, [(p.field, p.message) for p in problems]
    ([(2, {'code': 'A', 'price': 1})], [('row 3, price', 'This cell may not be empty.')])
    """
    if not table:
        return [], [Problem("file", "The table is empty.")]
    if len(table) > MOST_ROWS:
        return [], [Problem("file", f"At most {MOST_ROWS:,} rows fit in one table.")]
    names = [cell.strip().casefold() for cell in table[0]]
    required = [column.name for column in columns if column.default is None]
    problems = head_problems([name for name in names if name], [column.name for column in columns], required)
    if problems:
        return [], problems
    rows: NumberedRows = []
    for number, cells in enumerate(table[1:], start=2):
        if not any(cell.strip() for cell in cells):
            continue
        values, found = _row(number, dict(zip(names, cells, strict=False)), columns)
        if len(cells) > len(names):
            found.append(Problem(f"row {number}", f"There are {len(cells)} cells, but {len(names)} columns."))
        problems += found
        if not found:
            rows.append((number, values))
    return rows, problems


def head_problems(
    names: Sequence[str], known: Collection[str], required: Iterable[str], place: str = "row 1"
) -> list[Problem]:
    """What is wrong with a table's head: columns that are missing, not known, or there twice.

    >>> [problem.message for problem in head_problems(["code", "cost", "code"], ["code", "price"], ["price"])][:2]
    ["There is no column 'price'.", "The column 'cost' is not one of code, price."]
    """
    problems = [Problem(place, f"There is no column {name!r}.") for name in required if name not in names]
    problems += [
        Problem(place, f"The column {name[:40]!r} is not one of {', '.join(known)}.")
        for name in names
        if name not in known
    ]
    twice = [name for name in known if names.count(name) > 1]
    return problems + [Problem(place, f"The column {name!r} stands twice.") for name in twice]


def _row(number: int, cells: dict[str, str], columns: Sequence[Column]) -> tuple[dict[str, Any], list[Problem]]:
    values: dict[str, Any] = {}
    problems: list[Problem] = []
    for column in columns:
        text = unguarded(cells.get(column.name, "").strip())
        field = f"row {number}, {column.name}"
        if not text:
            if column.default is None:
                problems.append(Problem(field, "This cell may not be empty."))
            values[column.name] = column.default
            continue
        try:
            values[column.name] = column.read(text, column.name)
        except BitternError as error:
            problems.append(Problem(field, error.message))
        except ValueError:
            problems.append(Problem(field, f"{text[:40]!r} cannot be read here."))
    return values, problems


def pasted_rows(text: str) -> list[tuple[int, list[str]]]:
    """The cells of a paste or of CSV text, row by row with their numbers, without the empty rows.

    Columns are parted by tabs (as a spreadsheet pastes them), else by commas, or by semicolons where the first row
    has more of them than commas (as CSV is where a comma stands in decimal numbers).
    """
    cleaned = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n").replace("\0", "")
    mark = "\t" if "\t" in cleaned else max(",;", key=cleaned.lstrip().partition("\n")[0].count)
    try:
        rows = _quoted(cleaned, mark)
    except csv.Error:
        # One cell of over 128 KiB, an unfinished quote …: then every line is taken as it stands.
        rows = [line.split(mark) for line in cleaned.split("\n")]
    stripped = ([cell.strip() for cell in cells] for cells in rows)
    return [(number, cells) for number, cells in enumerate(stripped, start=1) if any(cells)]


def _quoted(text: str, mark: str) -> list[list[str]]:
    """Cells with or without quotes around them; csv.Error for a quote without an end, which would swallow rows."""
    try:
        return list(csv.reader(io.StringIO(text), delimiter=mark, strict=True))
    except csv.Error as error:
        if "end of data" in str(error):
            raise
        return list(csv.reader(io.StringIO(text), delimiter=mark))  # a quote in the middle of a cell is harmless


def text_up_to(most: int) -> Callable[[str, str], str]:
    """A reader of cells with text of at most `most` characters."""

    def read(text: str, field: str) -> str:
        check_length(text, most, field)
        return text

    return read


def read_count(text: str, field: str) -> int:
    """A cell with a whole number from 1 to a million."""
    if not (text.isascii() and text.isdecimal() and 1 <= int(text[:8]) <= 1_000_000):
        raise BitternError(field, f"Enter a whole number from 1 to 1,000,000, not {text[:20]!r}.")
    return int(text[:8])


def read_date(text: str, field: str) -> date:
    """A cell with a day, as 2026-11-25."""
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise BitternError(field, f"Write the day as 2026-01-31, not {text[:20]!r}.") from error
