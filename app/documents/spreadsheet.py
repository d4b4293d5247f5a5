"""Rows of papers and of the house's books as CSV and XLSX: typed text prints as on paper, never as a formula."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from decimal import Decimal

from app import spreadsheets
from app.documents.filters import printable
from app.ledger.reports.books import BookColumn, ClosedJob, IssuedQuote, PaymentReceived
from app.spreadsheets import Cell, styled_book_bytes

_AMOUNT = re.compile(r"-?[0-9]+\.[0-9]{2}")


def csv_bytes(headings: Sequence[str], rows: Iterable[Sequence[Cell]]) -> bytes:
    """The rows under their headings as `app.spreadsheets.csv_bytes` writes them."""
    return spreadsheets.csv_bytes([headings, *_printable(rows)])


def xlsx_bytes(title: str, day: date, sheets: Iterable[tuple[str, Sequence[str], Iterable[Sequence[Cell]]]]) -> bytes:
    """One sheet per (name, headings, rows) as `styled_book_bytes` writes them."""
    return styled_book_bytes(title, day, ((name, headings, _printable(rows)) for name, headings, rows in sheets))


def _printable(rows: Iterable[Sequence[Cell]]) -> Iterator[list[Cell]]:
    return ([printable(cell) for cell in row] for row in rows)


def books_csv(columns: Sequence[BookColumn], rows: Iterable[IssuedQuote | ClosedJob | PaymentReceived]) -> bytes:
    """The rows under their columns' names; UTF-8 with a byte order mark, commas, CRLF.

    A refund keeps its bare minus; any other cell that a spreadsheet would take for a formula is guarded.
    """
    return csv_bytes([column.name for column in columns], ([_cell(cell) for cell in row.row()] for row in rows))


def _cell(text: str) -> Cell:
    return Decimal(text) if _AMOUNT.fullmatch(text) else text
