"""An XLSX workbook as sheets of text cells, and back: values only, the same rows give the same bytes."""

from __future__ import annotations

__all__ = [
    "book_bytes",
    "book_sheets",
    "cell_text",
    "merged_cells",
    "sheet_bytes",
    "sheet_rows",
    "without_clock",
]

import io
import re
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from openpyxl import Workbook, load_workbook  # type: ignore[import-untyped]  # ships no types

from app.errors import BitternError
from app.fitting.sheet_values import sheet_values
from app.fitting.xml_markup import has_endless_markup

MOST_UNPACKED = 500_000_000
MOST_CELL = 10_000
MOST_WRITTEN = 32_767  # the format holds no more characters in a cell
ZIP_EPOCH = (1980, 1, 1, 0, 0, 0)
_STAMP = "1980-01-01T00:00:00Z"
_DAMAGED = "This is no XLSX workbook that can be read. Open it in a spreadsheet program and save it again."
# What XML cannot hold, or does not keep, the format writes as _xHHHH_; and so the first stroke of such a text itself.
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\ufffe\uffff]|_(?=x[0-9A-Fa-f]{4}_)")
_ESCAPED = re.compile(r"_x(00[01][0-9A-Fa-f]|005[Ff]|[Ff]{3}[EeFf])_")
_MERGED = re.compile(rb'<(?:\w+:)?mergeCell\b[^>]*\bref="([A-Z]{1,3}[0-9]{1,7}:[A-Z]{1,3}[0-9]{1,7})"')


def _opened(data: bytes) -> Any:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            unpacked = sum(entry.file_size for entry in packed.infolist())
            if any(entry.filename.lower().endswith("vbaproject.bin") for entry in packed.infolist()):
                raise BitternError("file", "This workbook holds macros. Save it without them as .xlsx or .csv.")
            if unpacked > MOST_UNPACKED:
                raise BitternError("file", "This workbook is too large once unpacked. Save the one sheet as CSV.")
            if has_endless_markup(packed):
                raise BitternError("file", _DAMAGED)
        # data_only: the value that was saved, never the formula; read_only: no links, names or drawings.
        book = load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
        book.worksheets[0].reset_dimensions()
        return book
    except BitternError:
        raise
    # openpyxl answers a damaged workbook with whatever its XML or ZIP reader met.
    except Exception as error:
        raise BitternError("file", _DAMAGED) from error


def book_sheets(data: bytes) -> Iterator[tuple[str, Iterator[list[str]]]]:
    """Each sheet's name and its rows as texts, the workbook opened once; BitternError on `file` for a damaged one."""
    book = _opened(data)
    for sheet in book.worksheets:
        sheet.reset_dimensions()
        yield sheet.title, _rows(book, sheet)


def sheet_rows(data: bytes) -> Iterator[list[str]]:
    """The rows of the first sheet as texts; BitternError on `file` for a damaged workbook."""
    book = _opened(data)
    yield from _rows(book, book.worksheets[0])


def _rows(book: Any, sheet: Any) -> Iterator[list[str]]:
    rows = sheet_values(book, sheet)
    while True:
        try:
            row = next(rows)
        except StopIteration:
            return
        except Exception as error:
            raise BitternError("file", _DAMAGED) from error
        yield [_cell(value) for value in row]


def merged_cells(data: bytes) -> tuple[str, ...]:
    """The ranges of merged cells in a workbook's first sheet, such as ("B3:B5",)."""
    try:
        path = _opened(data).worksheets[0]._worksheet_path.lstrip("/")
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            return tuple(found.decode() for found in _MERGED.findall(packed.read(path)))
    except BitternError:
        raise
    except Exception as error:
        raise BitternError("file", _DAMAGED) from error


def _cell(value: Any) -> str:
    """A cell's saved value as text: whole floats without the point, dates as year-month-day."""
    if value is None:
        return ""
    if isinstance(value, str):
        return _ESCAPED.sub(lambda found: chr(int(found[1], 16)), value) if "_x" in value else value
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        # 14.8 stands in the file as its shortest digits; Decimal keeps those, without an exponent.
        return f"{Decimal(repr(value)).normalize():f}" if value == value else ""
    if isinstance(value, datetime | date):
        return value.isoformat()
    return str(value)[:MOST_CELL]


def cell_text(text: str) -> str:
    """A text as it stands in a workbook's file: longer by 6 for each character that XML cannot hold as it is.

    >>> cell_text("two\\r\\nlines"), cell_text("_x000D_")
    ('two_x000D_\\nlines', '_x005F_x000D_')
    """
    return _CONTROL.sub(lambda found: f"_x{ord(found[0]):04X}_", text)


def sheet_bytes(title: str, rows: Iterable[Sequence[str]]) -> bytes:
    """One XLSX sheet of text cells; guard cells that people typed with `guarded`."""
    return book_bytes([(title, rows)])


def book_bytes(sheets: Iterable[tuple[str, Iterable[Sequence[str]]]]) -> bytes:
    """A workbook of (name, rows of texts); the same rows give the same bytes."""
    book = Workbook(write_only=True)
    book.properties.creator = ""
    book.properties.created = book.properties.modified = datetime(*ZIP_EPOCH)
    for name, rows in sheets:
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append([cell_text(cell)[:MOST_WRITTEN] for cell in row])
    out = io.BytesIO()
    book.save(out)
    return without_clock(out, _STAMP)


def without_clock(made: io.BytesIO, stamp: str) -> bytes:
    """The same workbook with `stamp` (an ISO moment) in place of the time of saving."""
    fixed = io.BytesIO()
    with zipfile.ZipFile(made) as source, zipfile.ZipFile(fixed, "w", zipfile.ZIP_DEFLATED) as target:
        for entry in source.infolist():
            content = source.read(entry)
            if entry.filename == "docProps/core.xml":
                start, end = content.index(b"<dcterms:modified"), content.index(b"</dcterms:modified>")
                opening = content[start : content.index(b">", start) + 1]
                content = content[:start] + opening + stamp.encode() + content[end:]
            target.writestr(zipfile.ZipInfo(entry.filename, ZIP_EPOCH), content, zipfile.ZIP_DEFLATED)
    return fixed.getvalue()
