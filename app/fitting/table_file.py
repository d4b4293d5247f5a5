"""A spreadsheet file as rows of text: CSV or XLSX, values only; formulas and macros are never run."""

from __future__ import annotations

__all__ = ["Row", "guarded", "sheet_bytes", "table_rows", "unguarded"]

import csv
import io
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime
from decimal import Decimal
from typing import Any, BinaryIO

from openpyxl import Workbook, load_workbook  # type: ignore[import-untyped]  # ships no types

from app.errors import BitternError
from app.fitting.given import quoted

Row = Sequence[str]
MOST_BYTES = 50_000_000
MOST_UNPACKED = 500_000_000
MOST_ROWS = 200_000
MOST_COLUMNS = 100
MOST_CELL = 10_000
# A cell that begins with one of these is run as a formula by spreadsheet programs.
_FORMULA = ("=", "+", "-", "@")


def guarded(text: str) -> str:
    """Text for a cell that no spreadsheet program takes for a formula: an apostrophe in front where needed.

    >>> guarded("=1+1"), guarded("A18M"), unguarded(guarded("=1+1"))
    ("'=1+1", 'A18M', '=1+1')
    """
    return f"'{text}" if text.startswith(_FORMULA) else text


def unguarded(text: str) -> str:
    """The inverse of `guarded`."""
    return text[1:] if text.startswith("'") and text[1:].startswith(_FORMULA) else text


def table_rows(name: str, content: bytes | BinaryIO, most_columns: int = MOST_COLUMNS) -> Iterator[Row]:
    """The rows of a .csv or .xlsx file, cell texts stripped of nothing.

    BitternError for `file`: too large, of another type, damaged, with macros, in another encoding (with the
    row). An XLSX cell with a formula gives the value that was last saved with it.
    """
    kind = name.rpartition(".")[2].lower() if "." in name else ""
    if kind == "xlsm":
        raise BitternError("file", "This workbook can hold macros. Save it as .xlsx or .csv and try again.")
    if kind not in ("csv", "xlsx"):
        raise BitternError("file", f"{quoted(name)} is neither .csv nor .xlsx. Save the table as one of them.")
    data = content if isinstance(content, bytes) else content.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise BitternError("file", f"This file is larger than {MOST_BYTES // 1_000_000} MB. Split it.")
    return _limited(_xlsx_rows(data) if kind == "xlsx" else _csv_rows(data), most_columns)


def _limited(rows: Iterator[Row], most_columns: int) -> Iterator[Row]:
    for number, row in enumerate(rows, 1):
        if number > MOST_ROWS:
            raise BitternError("file", f"This file has more than {MOST_ROWS} rows. Split it.")
        if len(row) > most_columns:
            raise BitternError("file", f"Row {number} has {len(row)} columns; {most_columns} is the most.")
        yield row


def _csv_text(data: bytes) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            return data.decode("utf-16")
        except UnicodeDecodeError as error:
            raise BitternError("file", "This UTF-16 file is damaged. Save it as CSV in UTF-8.") from error
    if data.startswith((b"PK\x03\x04", b"%PDF", b"\xd0\xcf\x11\xe0")) or b"\x00" in data[:4096]:
        raise BitternError("file", "This is no CSV file, whatever its name says. Save the table as CSV in UTF-8.")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data.count(b"\n", 0, error.start) + 1
        message = f"Row {row} is not in UTF-8. Save the table as CSV in UTF-8 and try again."
        raise BitternError("file", message) from error


def _csv_rows(data: bytes) -> Iterator[Row]:
    text = _csv_text(data)
    first = text.partition("\n")[0]
    delimiter = max(",;\t", key=first.count)
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    number = 0
    while True:
        number += 1
        try:
            row = next(rows)
        except StopIteration:
            return
        except csv.Error as error:
            message = f"Row {number} cannot be read: look for a quotation mark that is not closed."
            raise BitternError("file", message) from error
        yield row


def _xlsx_rows(data: bytes) -> Iterator[Row]:
    damaged = "This is no XLSX workbook that can be read. Open it in a spreadsheet program and save it again."
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            unpacked = sum(entry.file_size for entry in packed.infolist())
            if any(entry.filename.lower().endswith("vbaproject.bin") for entry in packed.infolist()):
                raise BitternError("file", "This workbook holds macros. Save it without them as .xlsx or .csv.")
        if unpacked > MOST_UNPACKED:
            raise BitternError("file", "This workbook is too large once unpacked. Save the one sheet as CSV.")
        # data_only: the value that was saved, never the formula; read_only: no links, names or drawings.
        book = load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
        sheet = book.worksheets[0]
        sheet.reset_dimensions()
    except BitternError:
        raise
    # openpyxl answers a damaged workbook with whatever its XML or ZIP reader met.
    except Exception as error:
        raise BitternError("file", damaged) from error
    rows = sheet.iter_rows(values_only=True)
    while True:
        try:
            row = next(rows)
        except StopIteration:
            return
        except Exception as error:
            raise BitternError("file", damaged) from error
        yield [_cell(value) for value in row]


def _cell(value: Any) -> str:
    """A cell's saved value as text: whole floats without the point, dates as year-month-day."""
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        # 14.8 stands in the file as its shortest digits; Decimal keeps those, without an exponent.
        return f"{Decimal(repr(value)).normalize():f}" if value == value else ""
    if isinstance(value, datetime | date):
        return value.isoformat()
    return str(value)[:MOST_CELL]


def sheet_bytes(title: str, rows: Iterable[Sequence[str]]) -> bytes:
    """One XLSX sheet of text cells; guard cells that people typed with `guarded`."""
    book = Workbook(write_only=True)
    sheet = book.create_sheet(title)
    for row in rows:
        sheet.append(list(row))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()
