"""A site's door list as a file: read from CSV or XLSX with every problem by row and column, and written again."""

from __future__ import annotations

import re

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload, selectinload

from app.errors import BitternError, Problem
from app.ledger.sites.current_cylinders import standing
from app.ledger.sites.door_fields import said
from app.ledger.sites.door_paste import LIST_COLUMNS, MOST_ROWS, DoorRow, read_door_table
from app.ledger.store.errors import NotFound
from app.ledger.tables import Cylinder, Door, Site
from app.spreadsheets import merged_cells, pasted_rows, table_rows

Read = tuple[list[DoorRow], list[Problem]]
# A date cell of a workbook as text. A spreadsheet program makes one of a door numbered 1-2.
_DATE = re.compile(r"\d{4}-\d\d-\d\d(T\d\d:\d\d:\d\d(\.\d+)?)?")


def read_list_file(name: str, content: bytes) -> Read:
    """The rows of a door list and everything wrong with it; a problem's field reads "row 7, hand" or "file".

    A formula's cell gives the value that was saved with it. Merged cells are a problem each: which of the doors
    beside them they speak of cannot be told. So is a date for an opening number.
    """
    try:
        if name.lower().endswith(".xlsx"):
            merged = merged_cells(content)
            if merged:
                return [], [_merged(cells) for cells in merged]
        table = list(enumerate(table_rows(name, content, most_rows=4 * MOST_ROWS), start=1))
    except BitternError as error:
        return [], [Problem(error.field, error.message)]
    rows, problems = _openings_given(*read_door_table(table, LIST_COLUMNS))
    if name.lower().endswith(".xlsx"):
        problems = sorted(problems + [_dated(row) for row in rows if _DATE.fullmatch(row.opening)], key=_row_number)
        rows = [row for row in rows if not _DATE.fullmatch(row.opening)]
    return rows, problems


def read_list_text(text: str) -> Read:
    """`read_list_file` for what was pasted from a spreadsheet."""
    return _openings_given(*read_door_table(pasted_rows(text), LIST_COLUMNS))


def _dated(row: DoorRow) -> Problem:
    return Problem(
        f"row {row.row}, opening",
        f"The cell holds the date {row.opening[:10]}. Format the column as text and write the opening number again.",
    )


def _merged(cells: str) -> Problem:
    first, _, last = cells.partition(":")
    row = "".join(sign for sign in first if sign.isdigit())
    column = "".join(sign for sign in first if sign.isalpha())
    return Problem(
        f"row {row}, column {column}",
        f"The cells from {first} to {last} are merged. Undo the merging and write the value into each row.",
    )


def _openings_given(rows: list[DoorRow], problems: list[Problem]) -> Read:
    missing = [
        Problem(f"row {row.row}, opening", "Enter the opening number; every row names its door.")
        for row in rows
        if not row.opening
    ]
    if not rows and not problems:
        problems = [Problem("file", f"There is no door in this. The columns are: {', '.join(LIST_COLUMNS)}.")]
    problems = [Problem(one.field, one.message[:1].upper() + one.message[1:]) for one in problems]
    return [row for row in rows if row.opening], sorted(problems + missing, key=_row_number)


def _row_number(problem: Problem) -> int:
    word = problem.field.removeprefix("row ").partition(",")[0]
    return int(word) if word.isdecimal() else 0


def site_list(session: Session, site_id: int) -> list[list[str]]:
    """A site's doors as a table of text, its head first: one row a cylinder, or one for a door without any.

    Written as CSV or XLSX, `read_list_file` reads the same list back.
    """
    if session.get(Site, site_id) is None:
        raise NotFound("site")
    doors = session.scalars(
        sa.select(Door)
        .where(Door.site_id == site_id)
        .options(joinedload(Door.lock), selectinload(Door.cylinders).joinedload(Cylinder.keyset))
        .order_by(sa.func.length(Door.opening_number), Door.opening_number)
    ).all()
    return [list(LIST_COLUMNS), *(row for door in doors for row in _rows(door))]


def _rows(door: Door) -> list[list[str]]:
    fields = said(door)
    hung = [
        {
            "position": one.position,
            "keyset": one.keyset.symbol if one.keyset else "",
            "cylinder": one.words,
            "part number": one.part_number,
        }
        for one in standing(door)
    ]
    return [[(fields | cells).get(name, "") for name in LIST_COLUMNS] for cells in hung or [{}]]
