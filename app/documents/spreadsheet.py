"""Rows of papers as CSV and XLSX: what a person typed prints as on paper and never becomes a formula."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date

from app import spreadsheets
from app.documents.filters import printable
from app.spreadsheets import Cell, styled_book_bytes


def csv_bytes(headings: Sequence[str], rows: Iterable[Sequence[Cell]]) -> bytes:
    """The rows under their headings as `app.spreadsheets.csv_bytes` writes them."""
    return spreadsheets.csv_bytes([headings, *_printable(rows)])


def xlsx_bytes(title: str, day: date, sheets: Iterable[tuple[str, Sequence[str], Iterable[Sequence[Cell]]]]) -> bytes:
    """One sheet per (name, headings, rows) as `styled_book_bytes` writes them."""
    return styled_book_bytes(title, day, ((name, headings, _printable(rows)) for name, headings, rows in sheets))


def _printable(rows: Iterable[Sequence[Cell]]) -> Iterator[list[Cell]]:
    return ([printable(cell) for cell in row] for row in rows)
