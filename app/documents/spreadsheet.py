"""Rows as CSV and XLSX for a spreadsheet: what a person typed stays text and never becomes a formula."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from datetime import date, datetime, time
from decimal import Decimal

# The library has no types.
from openpyxl import Workbook  # type: ignore[import-untyped]
from openpyxl.styles import Alignment, Font  # type: ignore[import-untyped]

from app.documents.filters import printable
from app.fitting import FORMULA_STARTS, guarded, without_clock
from app.fitting import csv_bytes as table_bytes

Cell = str | int
SheetCell = Cell | Decimal  # a Decimal is money: two decimals
_LONGEST_CELL = 32_767  # XLSX holds no more characters in a cell
_WIDEST = 60


def plain_cell(value: Cell) -> Cell:
    """The value as CSV has it: text that a spreadsheet would take for a formula gets an apostrophe in front.

    >>> plain_cell("=1+1"), plain_cell("-cmd"), plain_cell("AA1"), plain_cell(-3)
    ("'=1+1", "'-cmd", 'AA1', -3)
    """
    return guarded(value) if isinstance(value, str) else value


def csv_bytes(headings: Sequence[str], rows: Iterable[Sequence[Cell]]) -> bytes:
    """The rows under their headings as `app.fitting.csv_bytes` writes them, guarded."""
    written = ([plain_cell(printable(cell)) for cell in row] for row in rows)
    return table_bytes([headings, *written])


def xlsx_bytes(
    title: str, day: date, sheets: Iterable[tuple[str, Sequence[str], Iterable[Sequence[SheetCell]]]]
) -> bytes:
    """One sheet per (name, headings, rows), headings frozen; the same values give the same bytes.

    Every text cell is typed as text, so that "=cmd" is four characters and no formula. A cell is cut at
    32,767 characters, the most that the format holds. `day` stands as the day the file was made.
    """
    book = Workbook()
    book.remove(book.active)
    book.properties.title = title[:255]
    book.properties.creator = ""
    book.properties.created = book.properties.modified = datetime.combine(day, time())
    for name, headings, rows in sheets:
        sheet = book.create_sheet(name)
        widths = [len(heading) for heading in headings]
        for number, row in enumerate([headings, *rows], start=1):
            for column, given in enumerate(row, start=1):
                value = printable(given)[:_LONGEST_CELL] if isinstance(given, str) else given
                cell = sheet.cell(number, column)
                cell.value = value
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
    made = io.BytesIO()
    book.save(made)
    # The day stands in place of the time of saving.
    return without_clock(made, datetime.combine(day, time()).strftime("%Y-%m-%dT%H:%M:%SZ"))
