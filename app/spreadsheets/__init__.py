"""PURE. Files that were sent: CSV, XLSX and PDF read as rows within limits, PDFs by page; tables written."""

from app.spreadsheets.cell_values import (
    DAY_FIRST,
    MONTH_FIRST,
    cell_code,
    cell_day,
    cell_money,
    cell_whole,
    cell_whole_cents,
    changed_cells,
    day_order,
    money_style,
    says_cents,
)
from app.spreadsheets.column_guesses import CellLook, WantedColumn, guess_columns
from app.spreadsheets.found_table import FoundColumn, FoundTable, find_table, heading_key
from app.spreadsheets.pdf_pages import pdf_picture, pdf_texts
from app.spreadsheets.sheet import PASTED, SentSheet, column_letters, open_sheet
from app.spreadsheets.table_file import (
    head_problems,
    pasted_rows,
    read_date,
    table_rows,
)
from app.spreadsheets.workbook import book_sheets
from app.spreadsheets.writing import (
    Cell,
    cell_text,
    csv_bytes,
    guarded,
    guarded_book_bytes,
    guarded_csv_bytes,
    styled_book_bytes,
    table_bytes,
    unguarded,
    zip_bytes,
)

__all__ = [
    "DAY_FIRST",
    "MONTH_FIRST",
    "PASTED",
    "Cell",
    "CellLook",
    "FoundColumn",
    "FoundTable",
    "SentSheet",
    "WantedColumn",
    "book_sheets",
    "cell_code",
    "cell_day",
    "cell_money",
    "cell_text",
    "cell_whole",
    "cell_whole_cents",
    "changed_cells",
    "column_letters",
    "csv_bytes",
    "day_order",
    "find_table",
    "guarded",
    "guarded_book_bytes",
    "guarded_csv_bytes",
    "guess_columns",
    "head_problems",
    "heading_key",
    "money_style",
    "open_sheet",
    "pasted_rows",
    "pdf_picture",
    "pdf_texts",
    "read_date",
    "says_cents",
    "styled_book_bytes",
    "table_bytes",
    "table_rows",
    "unguarded",
    "zip_bytes",
]
