"""Read one workbook: the reader that `reading_child.py` runs for `workbook.py`, in a process of its own.

Its parts: {"sheet": name, "merged": ranges} before each sheet, a row as its texts. It imports nothing of the app.
"""

import io
import re
import zipfile
from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from typing import Any

NEEDS = "python_calamine"
MOST_ROW, MOST_COLUMN = 1_048_576, 16_384  # the format's own limits
MOST_IN_CELL = 32_767
DAMAGED = "This is no XLSX workbook that can be read. Open it in a spreadsheet program and save it again."
TOO_LARGE = "This workbook is too large once unpacked. Save the one sheet as CSV."
TOO_MUCH = "This workbook holds more than {} MB. Split it."
PROTECTED = "This workbook is protected by a password, or in an old format. Save it as .xlsx without a password."
_MACROS = "This workbook holds macros. Save it without them as .xlsx or .csv."
_OLD_FORMAT = b"\xd0\xcf\x11\xe0"  # of encrypted workbooks too
_HOLDS_TEXT = re.compile(r"(?<!styles)\.xml$")
# What the reader would not give as it stands in the file: an error, which it gives as an empty cell, so that #N/A
# would pass for nothing; the two characters that XML cannot hold and the format writes out; blanks at a text's edges.
# Before each stands what a part must hold for it: to find that there is none costs a hundredth of the pattern's time.
_MENDED = (
    ((b'="e"', b"='e'"), re.compile(rb"""(<(?:\w+:)?c\b[^<>]*\bt=)(?:"e"|'e')"""), rb'\1"str"'),
    ((b"_xF", b"_xf"), re.compile(rb"(?<!_x005[Ff])_x[Ff]{3}[Ee]_"), "\ufffe".encode()),
    ((b"_xF", b"_xf"), re.compile(rb"(?<!_x005[Ff])_x[Ff]{4}_"), "\uffff".encode()),
    ((b"t>",), re.compile(rb"<((?:\w+:)?t)>(?=\s|[^<]*\s<)"), rb'<\1 xml:space="preserve">'),
)


class Refused(Exception):
    """The workbook is not read; the sentence says what to do."""


REFUSAL = Refused


def parts_of(data: bytes, request: dict[str, Any]) -> Iterator[Any]:
    """Each sheet with its merged ranges, and its rows. Raises Refused, or whatever a damaged workbook makes of it."""
    import python_calamine

    checked = _checked(data, request["unpacked"], request["tags"])
    book = python_calamine.CalamineWorkbook.from_filelike(checked)
    kind = python_calamine.SheetTypeEnum.WorkSheet
    places = [place for place, sheet in enumerate(book.sheets_metadata) if sheet.typ == kind]
    if not places:
        raise Refused(DAMAGED)
    for place in places if request["part"] == "all" else places[:1]:
        sheet = book.get_sheet_by_index(place)
        yield {"sheet": sheet.name, "merged": [_range(*found) for found in sheet.merged_cell_ranges or ()]}
        yield from _rows(sheet, request["rows"])


def _checked(data: bytes, most_unpacked: int, most_tags: int) -> io.BytesIO:
    """The workbook unpacked, within its limits, with what the reader would not give as it stands mended.

    Unpacked once and here: what an archive lists as its size binds this reader of archives, and not every other.
    """
    if data.startswith(_OLD_FORMAT):
        raise Refused(PROTECTED)
    out, tags = io.BytesIO(), 0
    with zipfile.ZipFile(io.BytesIO(data)) as packed, zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as made:
        entries = packed.infolist()
        if any(entry.filename.lower().endswith("vbaproject.bin") for entry in entries):
            raise Refused(_MACROS)
        if sum(entry.file_size for entry in entries) > most_unpacked:
            raise Refused(TOO_LARGE)
        if "xl/workbook.xml" not in packed.namelist():
            raise Refused(DAMAGED)
        for entry in entries:
            content = packed.read(entry)
            if _HOLDS_TEXT.search(entry.filename.lower()):
                tags += content.count(b"<")
                if tags > most_tags:
                    raise Refused(TOO_LARGE)
                content = _mended(content)
            made.writestr(entry.filename, content)
    out.seek(0)
    return out


def _mended(content: bytes) -> bytes:
    for held, pattern, instead in _MENDED:
        if any(piece in content for piece in held):
            content = pattern.sub(instead, content)
    return content


def _rows(sheet: Any, most_rows: int) -> Iterator[list[str]]:
    """The rows from the sheet's first on, as texts, without the empty cells at their ends."""
    if sheet.start is None:
        return
    (_, left), (bottom, right) = sheet.start, sheet.end
    if bottom >= MOST_ROW or right >= MOST_COLUMN:
        raise Refused(DAMAGED)
    if bottom >= most_rows:
        raise Refused(f"This file has more than {most_rows} rows. Split it.")
    before = [""] * left
    for number, values in enumerate(sheet.iter_rows(), 1):
        row = [_text(value) for value in values]
        while row and not row[-1]:
            row.pop()
        if any(len(text) > MOST_IN_CELL for text in row):
            raise Refused(f"Row {number} has a cell of more than {MOST_IN_CELL:,} characters. Make it shorter.")
        yield before + row if row else row


def _text(value: Any) -> str:
    """A cell's saved value as text: whole numbers without the point, days without a clock as year-month-day.

    >>> _text(14.8), _text(3.0), _text(True), _text(date(2026, 1, 31))
    ('14.8', '3', 'yes', '2026-01-31')
    """
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        # 14.8 stands in the file as its shortest digits; Decimal keeps those, without an exponent. -0.0 is 0.
        return f"{Decimal(repr(value + 0.0)).normalize():f}" if value == value else ""
    return value.isoformat() if isinstance(value, date) else str(value)


def _range(first: tuple[int, int], last: tuple[int, int]) -> str:
    """Two corners, counted from 0, as a spreadsheet names them.

    >>> _range((2, 1), (4, 27))
    'B3:AB5'
    """
    return ":".join(f"{_letters(column)}{row + 1}" for row, column in (first, last))


def _letters(column: int) -> str:
    before, last = divmod(column, 26)
    return (_letters(before - 1) if before else "") + chr(65 + last)
