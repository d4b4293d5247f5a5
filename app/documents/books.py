"""The house's books as CSV for a general ledger: amounts stay plain numbers, names never become formulas."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from decimal import Decimal

from app.documents.spreadsheet import csv_bytes
from app.pricing import BookColumn, ClosedJob, IssuedQuote, PaymentReceived
from app.spreadsheets import Cell

_AMOUNT = re.compile(r"-?[0-9]+\.[0-9]{2}")


def books_csv(columns: Sequence[BookColumn], rows: Iterable[IssuedQuote | ClosedJob | PaymentReceived]) -> bytes:
    """The rows under their columns' names; UTF-8 with a byte order mark, commas, CRLF.

    A refund keeps its bare minus; any other cell that a spreadsheet would take for a formula is guarded.
    """
    return csv_bytes([column.name for column in columns], ([_cell(cell) for cell in row.row()] for row in rows))


def _cell(text: str) -> Cell:
    return Decimal(text) if _AMOUNT.fullmatch(text) else text
