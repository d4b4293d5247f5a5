"""A spreadsheet file or a paste as rows of text, and as values by named columns; formulas are never run."""

import csv
import io
from collections import deque
from collections.abc import Collection, Iterable, Iterator, Sequence
from datetime import date
from itertools import chain
from typing import IO

from app.errors import BitternError, Problem
from app.spreadsheets.pdf_pages import pdf_rows
from app.spreadsheets.workbook import sheet_rows
from app.validation import quoted

Row = Sequence[str]
MOST_BYTES = 50_000_000
MOST_ROWS = 200_000
MOST_COLUMNS = 100
MOST_LINE = 10_000_000  # bytes; a row of a house's export with a long quote in it has some hundred thousand
_BUFFER = 1 << 16
_KINDS = ("csv", "xlsx", "pdf")


def table_rows(
    name: str,
    content: bytes | IO[bytes],
    most_columns: int = MOST_COLUMNS,
    *,
    most_rows: int = MOST_ROWS,
    most_bytes: int = MOST_BYTES,
) -> Iterator[Row]:
    """The rows of a .csv, .xlsx or .pdf file, cell texts of the former stripped of nothing.

    BitternError for `file`: too large, of another type, damaged, with macros, in another encoding (with the
    row). An XLSX cell with a formula gives the value that was last saved with it.
    """
    kind = name.rpartition(".")[2].lower() if "." in name else ""
    if kind == "xlsm":
        raise BitternError("file", "This workbook can hold macros. Save it as .xlsx or .csv and try again.")
    if kind not in _KINDS:
        raise BitternError(
            "file", f"{quoted(name)} is neither .csv nor .xlsx nor .pdf. Save the table as one of them."
        )
    if isinstance(content, bytes) and len(content) > most_bytes:
        raise _too_large(most_bytes)
    if kind == "csv":
        rows: Iterator[Row] = _csv_rows(content, most_bytes)
    else:
        data = content if isinstance(content, bytes) else content.read(most_bytes + 1)
        if len(data) > most_bytes:
            raise _too_large(most_bytes)
        rows = sheet_rows(data, most_rows) if kind == "xlsx" else pdf_rows(data, most_rows)
    return _limited(rows, most_columns, most_rows)


def _too_large(most_bytes: int) -> BitternError:
    return BitternError("file", f"This file is larger than {most_bytes // 1_000_000} MB. Split it.")


def _too_long(row: int) -> BitternError:
    return BitternError("file", f"Row {row} is longer than {MOST_LINE // 1_000_000} MB. Make its texts shorter.")


def _limited(rows: Iterator[Row], most_columns: int, most_rows: int) -> Iterator[Row]:
    for number, row in enumerate(rows, 1):
        if number > most_rows:
            raise BitternError("file", f"This file has more than {most_rows} rows. Split it.")
        if len(row) > most_columns:
            raise BitternError("file", f"Row {number} has {len(row)} columns; {most_columns} is the most.")
        yield row


def _csv_lines(content: bytes | IO[bytes], most_bytes: int) -> Iterator[str]:
    """The lines of a CSV file, each with its end: memory holds one of them, whatever the file unpacks to."""
    stream = io.BytesIO(content) if isinstance(content, bytes) else content
    source = io.BufferedReader(stream, _BUFFER)  # type: ignore[type-var]  # it reads from any stream that reads
    head = source.peek(4096)
    is_wide = head.startswith((b"\xff\xfe", b"\xfe\xff"))
    if not is_wide and (head.startswith((b"PK\x03\x04", b"%PDF", b"\xd0\xcf\x11\xe0")) or b"\x00" in head[:4096]):
        raise BitternError("file", "This is no CSV file, whatever its name says. Save the table as CSV in UTF-8.")
    read = io.TextIOWrapper(source, "utf-16", newline="").readline if is_wide else source.readline
    row, taken = 1, 0
    try:
        while line := read(MOST_LINE + 1):
            taken += len(line)
            if taken > most_bytes:
                raise _too_large(most_bytes)
            if len(line) > MOST_LINE:
                raise _too_long(row)
            text = line if isinstance(line, str) else line.decode("utf-8-sig" if row == 1 else "utf-8")
            yield from io.StringIO(text, newline="")  # a carriage return alone ends a line too
            row += 1
    except UnicodeDecodeError as error:
        if is_wide:
            raise BitternError("file", "This UTF-16 file is damaged. Save it as CSV in UTF-8.") from error
        message = f"Row {row} is not in UTF-8. Save the table as CSV in UTF-8 and try again."
        raise BitternError("file", message) from error


def _csv_rows(content: bytes | IO[bytes], most_bytes: int) -> Iterator[Row]:
    if isinstance(content, bytes):
        # What is in memory anyway is looked at whole first: a wrong encoding is told before what a head may lack.
        deque(_csv_lines(content, most_bytes), maxlen=0)
    lines = _csv_lines(content, most_bytes)
    first = next(lines, "")
    delimiter = max(",;\t", key=first.count)
    number = taken = 0

    def counted() -> Iterator[str]:
        nonlocal taken
        for line in chain([first], lines) if first else lines:
            taken += len(line)
            if taken > MOST_LINE:  # line ends within quotation marks make one row of many lines
                raise _too_long(number)
            yield line

    rows = csv.reader(counted(), delimiter=delimiter, strict=True)
    while True:
        number, taken = number + 1, 0
        try:
            row = next(rows)
        except StopIteration:
            return
        except csv.Error as error:
            # A cell that goes on and on is mostly one, too; the reader takes 131,072 characters.
            message = f"Row {number} cannot be read: look for a quotation mark that is not closed."
            raise BitternError("file", message) from error
        yield row


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


def read_date(text: str, field: str) -> date:
    """A cell with a day, as 2026-11-25."""
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise BitternError(field, f"Write the day as 2026-01-31, not {text[:20]!r}.") from error
