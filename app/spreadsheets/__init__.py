"""PURE. Files that were sent: CSV, XLSX and PDF read as rows within limits, PDFs by page; tables written."""

from app.spreadsheets.pdf_pages import pdf_picture, pdf_texts
from app.spreadsheets.table_file import (
    Column,
    head_problems,
    pasted_rows,
    read_count,
    read_date,
    read_rows,
    table_rows,
    text_up_to,
)
from app.spreadsheets.workbook import book_sheets, merged_cells
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
)

__all__ = [
    "Cell",
    "Column",
    "book_sheets",
    "cell_text",
    "csv_bytes",
    "guarded",
    "guarded_book_bytes",
    "guarded_csv_bytes",
    "head_problems",
    "merged_cells",
    "pasted_rows",
    "pdf_picture",
    "pdf_texts",
    "read_count",
    "read_date",
    "read_rows",
    "styled_book_bytes",
    "table_bytes",
    "table_rows",
    "text_up_to",
    "unguarded",
]
