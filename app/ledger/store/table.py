"""Read a table of text (CSV, or pasted with tabs) into rows by named columns; problems by row and column."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from app.errors import BitternError, Problem

MOST_ROWS = 100_000


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its name, how its text becomes a value (a BitternError refuses it), and what an empty cell means.

    `default` None: the cell may not be empty.
    """

    name: str
    read: Callable[[str, str], Any]
    default: Any = None


def read_table(text: str, columns: Sequence[Column]) -> tuple[list[dict[str, Any]], list[Problem]]:
    """The rows that are right, as dicts by column name, and everything wrong with the others.

    The first row names the columns; columns with a default may be absent. A problem's field is `row N, column`.

    >>> columns = [Column("code", lambda text, field: text), Column("price", lambda text, field: int(text))]
    >>> rows, problems = read_table("code,price\\nA,1\\nB,", columns)
    >>> rows, [(p.field, p.message) for p in problems]
    ([{'code': 'A', 'price': 1}], [('row 3, price', 'This cell may not be empty.')])
    """
    cleaned = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")
    mark = "\t" if "\t" in cleaned.split("\n", 1)[0] else ","
    try:
        table = list(csv.reader(io.StringIO(cleaned), delimiter=mark, strict=True))
    except csv.Error as error:
        return [], [Problem("file", f"This is not a table that can be read: {error}.")]
    return read_rows(table, columns)


def read_rows(
    table: Sequence[Sequence[str]], columns: Sequence[Column]
) -> tuple[list[dict[str, Any]], list[Problem]]:
    """`read_table` for a table that is in rows of cells already, such as a spreadsheet's."""
    if not table:
        return [], [Problem("file", "The table is empty.")]
    if len(table) > MOST_ROWS:
        return [], [Problem("file", f"At most {MOST_ROWS:,} rows fit in one table.")]
    names = [cell.strip().casefold() for cell in table[0]]
    problems = _head_problems(names, columns)
    if problems:
        return [], problems
    rows: list[dict[str, Any]] = []
    for number, cells in enumerate(table[1:], start=2):
        if not any(cell.strip() for cell in cells):
            continue
        values, found = _row(number, dict(zip(names, cells, strict=False)), columns)
        if len(cells) > len(names):
            found.append(Problem(f"row {number}", f"There are {len(cells)} cells, but {len(names)} columns."))
        problems += found
        if not found:
            rows.append(values)
    return rows, problems


def _head_problems(names: Sequence[str], columns: Sequence[Column]) -> list[Problem]:
    known = [column.name for column in columns]
    problems = [
        Problem("row 1", f"There is no column {column.name!r}.")
        for column in columns
        if column.default is None and column.name not in names
    ]
    problems += [
        Problem("row 1", f"The column {name[:40]!r} is not one of {', '.join(known)}.")
        for name in names
        if name and name not in known
    ]
    problems += [Problem("row 1", f"The column {name!r} stands twice.") for name in known if names.count(name) > 1]
    return problems


def _row(number: int, cells: dict[str, str], columns: Sequence[Column]) -> tuple[dict[str, Any], list[Problem]]:
    values: dict[str, Any] = {}
    problems: list[Problem] = []
    for column in columns:
        text = cells.get(column.name, "").strip()
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


def read_text(limit: int) -> Any:
    """A reader of text of at most `limit` characters."""

    def read(text: str, field: str) -> str:
        if len(text) > limit:
            raise BitternError(field, f"At most {limit} characters fit here; this has {len(text):,}.")
        return text

    return read


def read_count(text: str, field: str) -> int:
    """A whole number from 1 to a million."""
    if not (text.isascii() and text.isdecimal() and 1 <= int(text[:8]) <= 1_000_000):
        raise BitternError(field, f"Enter a whole number from 1 to 1,000,000, not {text[:20]!r}.")
    return int(text[:8])
