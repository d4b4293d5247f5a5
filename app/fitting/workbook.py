"""An XLSX workbook as sheets of text cells, and back: values only, the same rows give the same bytes.

It is read in a process of its own (`workbook_child.py`), since whoever sends one decides what there is to unfold.
"""

from __future__ import annotations

import io
import json
import os
import re
import signal
import subprocess
import sys
import tempfile
import threading
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from itertools import groupby, islice
from pathlib import Path
from typing import Any

from openpyxl import Workbook  # type: ignore[import-untyped]  # ships no types

from app.errors import BitternError
from app.fitting.workbook_child import TOO_LARGE

# What 200,000 rows of ten cells need, or two million cells in another shape; a workbook of a whole house twice that.
MOST_UNPACKED = 125_000_000
MOST_TAGS = 13_000_000  # opening and closing: a cell with its text takes four to six
MOST_BYTES = 100_000_000  # of all that is read of it
MOST_SECONDS = 8  # of a core: an honest one takes half of that on a slow one
MOST_MEMORY = 1 << 30  # bytes, of the process that reads it
PATIENCE = 60  # seconds by the clock
_LONGEST_REFUSAL = 4096  # bytes
_OUT_OF_TIME = (signal.SIGXCPU, signal.SIGKILL)
MOST_WRITTEN = 32_767  # the format holds no more characters in a cell
ZIP_EPOCH = (1980, 1, 1, 0, 0, 0)
_STAMP = "1980-01-01T00:00:00Z"
_TOO_SLOW = "This workbook takes too long to read. Save the one sheet as CSV."
_READER = Path(__file__).with_name("workbook_child.py")
_READING = threading.BoundedSemaphore(2)  # so that many workbooks at once take no more memory than two
# What XML cannot hold, or does not keep, the format writes as _xHHHH_; and so the first stroke of such a text itself.
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\ufffe\uffff]|_(?=x[0-9A-Fa-f]{4}_)")


def book_sheets(data: bytes, most_rows: int) -> Iterator[tuple[str, Iterator[list[str]]]]:
    """Each sheet's name and its rows as texts; BitternError on `file` for a workbook that cannot be read."""
    place = 0

    def sheet_of(line: Any) -> int:
        nonlocal place
        place += isinstance(line, dict)
        return place

    for _, lines in groupby(_told(data, "all", most_rows, times=2), sheet_of):
        yield next(lines)["sheet"], lines  # noqa: B031 - the first line names the sheet, its rows are the rest


def sheet_rows(data: bytes, most_rows: int = 200_000) -> Iterator[list[str]]:
    """The rows of the first sheet as texts; BitternError on `file` for a workbook that cannot be read."""
    yield from islice(_told(data, "first", most_rows), 1, None)


def merged_cells(data: bytes) -> tuple[str, ...]:
    """The ranges of merged cells in a workbook's first sheet, such as ("B3:B5",)."""
    return tuple(line["merged"] for line in _told(data, "merged", 0))


def _told(data: bytes, what: str, most_rows: int, times: int = 1) -> Iterator[Any]:
    """What the reader has to tell of a workbook, in a process that may not harm this one.

    It gets no settings of the house, and its own memory and time; whatever becomes of it is a sentence here, before
    anything is told. What it tells waits in a file without a name: here there is never more than one line of it.
    """
    asked = {
        "what": what,
        "rows": most_rows,
        "bytes": MOST_BYTES * times,
        "unpacked": MOST_UNPACKED * times,
        "tags": MOST_TAGS * times,
        "memory": MOST_MEMORY,
        "seconds": MOST_SECONDS * times,
    }
    command = [sys.executable, "-I", str(_READER), json.dumps(asked)]
    with tempfile.TemporaryFile() as told:
        try:
            with _READING:
                done = subprocess.run(  # noqa: S603 - our own program; the workbook is its input, not its name
                    command, input=data, stdout=told, stderr=subprocess.DEVNULL, timeout=PATIENCE, env={}
                )
        except subprocess.TimeoutExpired as error:
            raise BitternError("file", _TOO_SLOW) from error
        if done.returncode < 0:  # a signal: a reader out of memory ends itself, one out of time is ended
            raise BitternError("file", _TOO_SLOW if -done.returncode in _OUT_OF_TIME else TOO_LARGE)
        done.check_returncode()
        told.seek(max(0, told.seek(0, os.SEEK_END) - _LONGEST_REFUSAL))
        last = told.read().splitlines(keepends=True)[-1]
        if refused := json.loads(last)["refused"]:
            raise BitternError("file", refused)
        end = told.tell() - len(last)
        told.seek(0)
        while told.tell() < end:
            yield json.loads(told.readline())


def cell_text(text: str) -> str:
    """A text as it stands in a workbook's file: longer by 6 for each character that XML cannot hold as it is.

    >>> cell_text("two\\r\\nlines"), cell_text("_x000D_")
    ('two_x000D_\\nlines', '_x005F_x000D_')
    """
    return _CONTROL.sub(lambda found: f"_x{ord(found[0]):04X}_", text)


def sheet_bytes(title: str, rows: Iterable[Sequence[str]]) -> bytes:
    """One XLSX sheet of text cells; guard cells that people typed with `guarded`."""
    return book_bytes([(title, rows)])


def book_bytes(sheets: Iterable[tuple[str, Iterable[Sequence[str]]]]) -> bytes:
    """A workbook of (name, rows of texts); the same rows give the same bytes."""
    book = Workbook(write_only=True)
    book.properties.creator = ""
    book.properties.created = book.properties.modified = datetime(*ZIP_EPOCH)
    for name, rows in sheets:
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append([cell_text(cell)[:MOST_WRITTEN] for cell in row])
    out = io.BytesIO()
    book.save(out)
    return without_clock(out, _STAMP)


def without_clock(made: io.BytesIO, stamp: str) -> bytes:
    """The same workbook with `stamp` (an ISO moment) in place of the time of saving."""
    fixed = io.BytesIO()
    with zipfile.ZipFile(made) as source, zipfile.ZipFile(fixed, "w", zipfile.ZIP_DEFLATED) as target:
        for entry in source.infolist():
            content = source.read(entry)
            if entry.filename == "docProps/core.xml":
                start, end = content.index(b"<dcterms:modified"), content.index(b"</dcterms:modified>")
                opening = content[start : content.index(b">", start) + 1]
                content = content[:start] + opening + stamp.encode() + content[end:]
            target.writestr(zipfile.ZipInfo(entry.filename, ZIP_EPOCH), content, zipfile.ZIP_DEFLATED)
    return fixed.getvalue()
