"""The house's books as CSV for a general ledger: amounts stay plain numbers, names never become formulas."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from app.documents.filters import printable
from app.documents.spreadsheet import plain_cell
from app.fitting import csv_bytes
from app.pricing import BookColumn, ClosedJob, IssuedQuote, PaymentReceived

_AMOUNT = re.compile(r"-?[0-9]+\.[0-9]{2}")


def books_csv(columns: Sequence[BookColumn], rows: Iterable[IssuedQuote | ClosedJob | PaymentReceived]) -> bytes:
    """The rows under their columns' names; UTF-8 with a byte order mark, commas, CRLF.

    A refund keeps its bare minus; any other cell that a spreadsheet would take for a formula is guarded.
    """
    written = ([_cell(cell) for cell in row.row()] for row in rows)
    return csv_bytes([[column.name for column in columns], *written])


def _cell(text: str) -> str | int:
    return text if _AMOUNT.fullmatch(text) else plain_cell(printable(text))
