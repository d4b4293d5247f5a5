"""A PDF as texts page by page, a page of it as a picture, and its tables as rows.

It is read in a process of its own (`pdf_child.py`), since whoever sends one decides what there is to unfold.
"""

import base64
from collections.abc import Iterator, Sequence
from io import BufferedReader
from pathlib import Path
from typing import Any

from app.spreadsheets.child_process import child_lines
from app.spreadsheets.pdf_child import TOO_LARGE

MOST_PAGES = 2_000
MOST_TABLE_PAGES = 200  # tables take a tenth of a second a page
MOST_BYTES = 50_000_000  # of all that is read of it
MOST_SECONDS = 40  # of a core: 800 pages of a catalog take two on a slow one
_TOO_SLOW = "This PDF takes too long to read. Split it."
_READER = Path(__file__).with_name("pdf_child.py")


def pdf_texts(data: bytes) -> Iterator[str]:
    """The text of each page, "" for one without (a scan); BitternError on `file` for a PDF that cannot be read."""
    return _lines(data, "texts", pages=MOST_PAGES)


def pdf_picture(data: bytes | BufferedReader, page: int, words: Sequence[str] = ()) -> bytes:
    """A page (from 1) as a PNG of at most 1,400 by 2,000 pixels, marked wherever one of the words stands; of an
    open file only that page is read."""
    return base64.b64decode(next(_lines(data, "picture", pages=MOST_PAGES, page=page, words=list(words))))


def pdf_rows(data: bytes, most_rows: int) -> Iterator[list[str]]:
    """The rows of the tables of a PDF, page by page, as texts; BitternError on `file` where it cannot be read."""
    return _lines(data, "tables", pages=MOST_TABLE_PAGES, rows=most_rows)


def _lines(data: bytes | BufferedReader, part: str, **asked: Any) -> Iterator[Any]:
    request = {"part": part, "bytes": MOST_BYTES, "seconds": MOST_SECONDS, **asked}
    return child_lines(_READER, data, request, too_large=TOO_LARGE, too_slow=_TOO_SLOW)
