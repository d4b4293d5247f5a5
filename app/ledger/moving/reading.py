"""Read an export back: each table's rows as texts by column, and everything wrong with the file."""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from app.errors import BitternError, Problem
from app.ledger.moving.exporting import CONTINUED
from app.ledger.moving.tables import MovedTable, table_named
from app.spreadsheets import book_sheets, head_problems, table_rows, unguarded

MOST_UNPACKED = 2_000_000_000
MOST_ROWS = 5_000_000
MOST_COLUMNS = 10_000  # a long text takes several
_README = ("README.txt", "read me")
_FURTHER = re.compile(r"(.+) \((\d{1,4})\)")


@dataclass(frozen=True, slots=True)
class ReadRow:
    """A row of a table as it stands in the file: its number there, and its texts by column title."""

    number: int
    cells: dict[str, str]


def read_export(name: str, content: bytes) -> tuple[dict[str, list[ReadRow]], list[Problem]]:
    """The tables of an export (.zip or .xlsx) by name, and the problems with their heads.

    BitternError on `file` when it cannot be opened at all, or holds what no export has.
    """
    kind = name.rpartition(".")[2].lower()
    if kind not in ("zip", "xlsx"):
        raise BitternError("file", "An export of a house is a .zip of CSV files, or an .xlsx workbook.")
    tables: dict[str, list[ReadRow]] = {}
    problems: list[Problem] = []
    for moved, rows in _zip_tables(content) if kind == "zip" else _book_tables(content):
        if moved.name in tables:
            raise BitternError("file", f"The table {moved.name!r} stands twice in this file.")
        tables[moved.name] = _read(moved, rows, problems)
    if not tables:
        raise BitternError("file", "There is no table of a house in this file.")
    return tables, problems


def _known(name: str) -> MovedTable:
    moved = table_named(name)
    if moved is None:
        raise BitternError(
            "file", f"This file holds {name[:60]!r}, which no export of a house has. Nothing was read."
        )
    return moved


def _zip_tables(content: bytes) -> Iterator[tuple[MovedTable, Iterator[Sequence[str]]]]:
    try:
        packed = zipfile.ZipFile(io.BytesIO(content))
        entries = packed.infolist()
    except zipfile.BadZipFile as error:
        raise BitternError("file", "This is no ZIP file that can be opened.") from error
    if sum(entry.file_size for entry in entries) > MOST_UNPACKED:
        raise BitternError("file", "This file is too large once unpacked.")
    with packed:
        for entry in entries:
            if entry.filename not in _README:
                yield _known(entry.filename.removesuffix(".csv")), _csv_in(packed, entry)


def _csv_in(packed: zipfile.ZipFile, entry: zipfile.ZipInfo) -> Iterator[Sequence[str]]:
    """The rows of one table, unpacked as they are read; never by a method that unpacks without bounds."""
    damaged = BitternError("file", f"{entry.filename} in this ZIP file is damaged or locked.")
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise damaged
    try:
        with packed.open(entry) as part:
            yield from table_rows("table.csv", part, MOST_COLUMNS, most_rows=MOST_ROWS, most_bytes=MOST_UNPACKED)
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, ValueError, EOFError) as error:
        raise damaged from error


def _book_tables(content: bytes) -> Iterator[tuple[MovedTable, Iterator[Sequence[str]]]]:
    for name, rows in book_sheets(content, MOST_ROWS):
        if name not in _README:
            yield _known(name), rows


def _read(moved: MovedTable, rows: Iterator[Sequence[str]], problems: list[Problem]) -> list[ReadRow]:
    try:
        head = list(next(rows, ()))
        needed = [
            title
            for title, column in zip(moved.titles, moved.columns, strict=True)
            if not column.nullable and column.default is None
        ]
        plain = [title for title in head if not _FURTHER.fullmatch(title)]
        problems += head_problems(plain, moved.titles, needed, f"{moved.name}, row 1")
        return [
            ReadRow(number, _joined(head, row))
            for number, row in enumerate(rows, start=2)
            if any(row) or len(head) == 1
        ]
    except BitternError as error:
        problems.append(Problem(f"{moved.name}, {error.field}", error.message))
        return []


def _joined(head: Sequence[str], row: Sequence[str]) -> dict[str, str]:
    """The row's texts by title, those that go on in further columns put together, without their guards."""
    cells: dict[str, str] = {}
    # A workbook leaves out the empty cells at the end of a row.
    for title, text in zip(head, [*row, *[""] * (len(head) - len(row))], strict=False):
        further = _FURTHER.fullmatch(title)
        name = further[1] if further else title
        cells[name] = cells.get(name, "") + (text.removeprefix(CONTINUED) if further else text)
    return {name: unguarded(text) for name, text in cells.items()}
