"""A spreadsheet file as rows of text: CSV or XLSX, values only; formulas and macros are never run."""

from __future__ import annotations

__all__ = ["Row", "csv_bytes", "table_rows"]

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from typing import BinaryIO

from app.errors import BitternError
from app.fitting.given import quoted
from app.fitting.workbook import sheet_rows

Row = Sequence[str]
MOST_BYTES = 50_000_000
MOST_ROWS = 200_000
MOST_COLUMNS = 100


def table_rows(
    name: str,
    content: bytes | BinaryIO,
    most_columns: int = MOST_COLUMNS,
    *,
    most_rows: int = MOST_ROWS,
    most_bytes: int = MOST_BYTES,
) -> Iterator[Row]:
    """The rows of a .csv or .xlsx file, cell texts stripped of nothing.

    BitternError for `file`: too large, of another type, damaged, with macros, in another encoding (with the
    row). An XLSX cell with a formula gives the value that was last saved with it.
    """
    kind = name.rpartition(".")[2].lower() if "." in name else ""
    if kind == "xlsm":
        raise BitternError("file", "This workbook can hold macros. Save it as .xlsx or .csv and try again.")
    if kind not in ("csv", "xlsx"):
        raise BitternError("file", f"{quoted(name)} is neither .csv nor .xlsx. Save the table as one of them.")
    data = content if isinstance(content, bytes) else content.read(most_bytes + 1)
    if len(data) > most_bytes:
        raise BitternError("file", f"This file is larger than {most_bytes // 1_000_000} MB. Split it.")
    return _limited(sheet_rows(data, most_rows) if kind == "xlsx" else _csv_rows(data), most_columns, most_rows)


def _limited(rows: Iterator[Row], most_columns: int, most_rows: int) -> Iterator[Row]:
    for number, row in enumerate(rows, 1):
        if number > most_rows:
            raise BitternError("file", f"This file has more than {most_rows} rows. Split it.")
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


def csv_bytes(rows: Iterable[Sequence[object]]) -> bytes:
    """A table as CSV: UTF-8 with the byte order mark that spreadsheet programs need, commas, CRLF.

    Guard cells that people typed with `guarded`.
    """
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\r\n").writerows(rows)
    return out.getvalue().encode("utf-8-sig")
