"""An XLSX workbook as sheets of text cells: values only, never a formula.

It is read in a process of its own (`workbook_child.py`), since whoever sends one decides what there is to unfold.
"""

from collections.abc import Iterator
from itertools import groupby
from pathlib import Path
from typing import Any

from app.spreadsheets.child_process import child_lines
from app.spreadsheets.workbook_child import TOO_LARGE

# What 200,000 rows of ten cells need, or two million cells in another shape; a workbook of a whole house twice that.
MOST_UNPACKED = 125_000_000
MOST_TAGS = 13_000_000  # opening and closing: a cell with its text takes four to six
MOST_BYTES = 100_000_000  # of all that is read of it
MOST_SECONDS = 8  # of a core: an honest one takes half of that on a slow one
_TOO_SLOW = "This workbook takes too long to read. Save the one sheet as CSV."
_READER = Path(__file__).with_name("workbook_child.py")


def book_sheets(data: bytes, most_rows: int) -> Iterator[tuple[str, Iterator[list[str]]]]:
    """Each sheet's name and its rows as texts; BitternError on `file` for a workbook that cannot be read."""
    place = 0

    def sheet_of(line: Any) -> int:
        nonlocal place
        place += isinstance(line, dict)
        return place

    for _, lines in groupby(_child_lines(data, "all", most_rows, times=2), sheet_of):
        yield next(lines)["sheet"], lines  # noqa: B031 - the first line names the sheet, its rows are the rest


def sheet_rows(data: bytes, most_rows: int = 200_000) -> Iterator[list[str]]:
    """The rows of the first sheet as texts; BitternError on `file` for a workbook that cannot be read."""
    yield from sheet_with_merged(data, most_rows)[1]


def sheet_with_merged(data: bytes, most_rows: int = 200_000) -> tuple[tuple[str, ...], Iterator[list[str]]]:
    """The ranges of merged cells in the first sheet, such as ("B3:B5",), and its rows, read at once."""
    lines = _child_lines(data, "first", most_rows)
    return tuple(next(lines)["merged"]), lines


def _child_lines(data: bytes, part: str, most_rows: int, times: int = 1) -> Iterator[Any]:
    """The lines that the reading process gives for a workbook."""
    request = {
        "part": part,
        "rows": most_rows,
        "bytes": MOST_BYTES * times,
        "unpacked": MOST_UNPACKED * times,
        "tags": MOST_TAGS * times,
        "seconds": MOST_SECONDS * times,
    }
    yield from child_lines(_READER, data, request, too_large=TOO_LARGE, too_slow=_TOO_SLOW)
