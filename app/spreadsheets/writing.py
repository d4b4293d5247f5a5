"""Write tables as CSV and XLSX: a cell that begins like a formula is text, and the same rows give the same bytes."""

import csv
import io
import re
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, time
from decimal import Decimal

# The library has no types.
from openpyxl import Workbook
from openpyxl.styles import Alignment, Font

# A cell that begins with one of these is run as a formula, or starts one after a separator.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")
Cell = str | int | Decimal  # a Decimal is money: two decimals
MOST_IN_CELL = 32_767  # characters that the format holds in a cell
_WIDEST = 60
_ZIP_EPOCH = (1980, 1, 1, 0, 0, 0)
# What XML cannot hold, or does not keep, the format writes as _xHHHH_; and so the first stroke of such a text itself.
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\ufffe\uffff]|_(?=x[0-9A-Fa-f]{4}_)")


def guarded(text: str) -> str:
    """Text for a cell that no spreadsheet program takes for a formula: one apostrophe in front where needed.

    Needed where the text, after any apostrophes of its own, begins with a sign of FORMULA_STARTS; so
    `unguarded` gives back every text exactly.

    >>> guarded("=1+1"), guarded("A18M"), guarded("'=1+1"), guarded("'90s lock")
    ("'=1+1", 'A18M', "''=1+1", "'90s lock")
    >>> unguarded("''=1+1"), unguarded("'90s lock")
    ("'=1+1", "'90s lock")
    """
    return f"'{text}" if text.lstrip("'").startswith(FORMULA_STARTS) else text


def unguarded(text: str) -> str:
    """The inverse of `guarded`."""
    return text[1:] if text.startswith("'") and text.lstrip("'").startswith(FORMULA_STARTS) else text


def csv_bytes(rows: Iterable[Sequence[Cell]]) -> bytes:
    """A table as CSV: UTF-8 with the byte order mark that spreadsheet programs need, commas, CRLF.

    A text that a spreadsheet program would run as a formula is guarded; a number stays bare, money has two decimals.

    >>> csv_bytes([["=1+1", -3, Decimal("-2.5")]]).decode("utf-8-sig")
    "'=1+1,-3,-2.50\\r\\n"
    """
    return guarded_csv_bytes([_csv_cell(cell) for cell in row] for row in rows)


def _csv_cell(cell: Cell) -> Cell:
    if isinstance(cell, str):
        return guarded(cell)
    return f"{cell:.2f}" if isinstance(cell, Decimal) else cell


def guarded_csv_bytes(rows: Iterable[Sequence[Cell]]) -> bytes:
    """`csv_bytes` of cells that are guarded already."""
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\r\n").writerows(rows)
    return out.getvalue().encode("utf-8-sig")


def table_bytes(kind: str, title: str, rows: Iterable[Sequence[str]]) -> bytes:
    """A table of texts as `kind` csv or xlsx, with its formulas guarded; `title` names the workbook's sheet."""
    if kind == "csv":
        return csv_bytes(rows)
    return guarded_book_bytes([(title, ([guarded(cell) for cell in row] for row in rows))])


def guarded_book_bytes(sheets: Iterable[tuple[str, Iterable[Sequence[str]]]]) -> bytes:
    """A workbook of (name, rows of texts that are guarded already) without any styles."""
    book = Workbook(write_only=True)
    for name, rows in sheets:
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append([cell_text(cell)[:MOST_IN_CELL] for cell in row])
    return _saved(book, datetime(*_ZIP_EPOCH))


def cell_text(text: str) -> str:
    """A text as it stands in a workbook's file: longer by 6 for each character that XML cannot hold as it is.

    >>> cell_text("two\\r\\nlines"), cell_text("_x000D_")
    ('two_x000D_\\nlines', '_x005F_x000D_')
    """
    return _CONTROL.sub(lambda found: f"_x{ord(found[0]):04X}_", text)


def styled_book_bytes(
    title: str, day: date, sheets: Iterable[tuple[str, Sequence[str], Iterable[Sequence[Cell]]]]
) -> bytes:
    """A workbook for people: one sheet per (name, headings, rows), headings bold and frozen.

    Every text cell is typed as text, so that "=cmd" is four characters and no formula. A cell is cut at
    32,767 characters, the most that the format holds. `day` stands as the day the file was made.
    """
    book = Workbook()
    book.remove(book.active)
    book.properties.title = title[:255]
    for name, headings, rows in sheets:
        sheet = book.create_sheet(name)
        widths = [len(heading) for heading in headings]
        for number, row in enumerate([headings, *rows], start=1):
            for column, value in enumerate(row, start=1):
                cell = sheet.cell(number, column)
                cell.value = cell_text(value)[:MOST_IN_CELL] if isinstance(value, str) else value
                if isinstance(value, str):
                    cell.data_type = "s"
                    cell.quotePrefix = value.startswith(FORMULA_STARTS)
                elif isinstance(value, Decimal):
                    cell.number_format = "#,##0.00"
                cell.font = Font(bold=number == 1)
                cell.alignment = Alignment(vertical="top", wrap_text=True)
                widths[column - 1] = max(widths[column - 1], len(str(value)))
        for column, width in enumerate(widths, start=1):
            letter = sheet.cell(1, column).column_letter
            sheet.column_dimensions[letter].width = min(width, _WIDEST) + 2
        sheet.freeze_panes = "A2"
    return _saved(book, datetime.combine(day, time()))


def zip_bytes(files: Mapping[str, bytes]) -> bytes:
    """Files by name in a zip, all of one day, so that the same contents give the same bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in files.items():
            packed.writestr(zipfile.ZipInfo(name, _ZIP_EPOCH), content, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def _saved(book: Workbook, moment: datetime) -> bytes:
    """The workbook's bytes with `moment` in place of the time of saving, and nobody's name."""
    book.properties.creator = ""
    book.properties.created = book.properties.modified = moment
    made = io.BytesIO()
    book.save(made)
    with zipfile.ZipFile(made) as source:
        parts = {entry.filename: source.read(entry) for entry in source.infolist()}
    core = parts["docProps/core.xml"]
    start, end = core.index(b"<dcterms:modified"), core.index(b"</dcterms:modified>")
    opening = core[start : core.index(b">", start) + 1]
    parts["docProps/core.xml"] = core[:start] + opening + f"{moment:%Y-%m-%dT%H:%M:%SZ}".encode() + core[end:]
    return zip_bytes(parts)
