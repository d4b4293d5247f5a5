"""Read one PDF: the reader that `reading_child.py` runs for `pdf_pages.py`, in a process of its own.

Its parts: a page's text, a table's row, or a picture. It imports nothing of the app.
"""

import base64
import io
from collections.abc import Iterator
from io import BufferedReader
from typing import Any

NEEDS = "pypdfium2"
DAMAGED = "This is no PDF that can be read. Open it in a PDF program and save it again."
TOO_LARGE = "This PDF takes more memory than there is for it. Split it."
TOO_MUCH = "This PDF holds more than {} MB of text. Split it."
PROTECTED = "This PDF is protected by a password. Save it without one."
_SCAN = "This PDF has no text: it is a scan. Ask for the table itself, or paste it."
_MOST_WIDE, _MOST_HIGH = 1400, 2000  # pixels of a page's picture
_MARK = (255, 214, 0, 90)


class Unreadable(Exception):
    """The PDF is not read; the sentence says what to do."""


REFUSAL = Unreadable


def parts_of(data: bytes | BufferedReader, request: dict[str, Any]) -> Iterator[Any]:
    """What is asked of a PDF. Raises Unreadable, or whatever a damaged one makes of it."""
    yield from _PARTS[request["part"]](data, request)


def _opened(data: bytes | BufferedReader, request: dict[str, Any]) -> Any:
    import pypdfium2

    book = pypdfium2.PdfDocument(data)
    if len(book) > request["pages"]:
        raise Unreadable(f"This PDF has {len(book):,} pages; {request['pages']:,} are the most. Split it.")
    return book


def _texts(data: bytes | BufferedReader, request: dict[str, Any]) -> Iterator[Any]:
    """The text of each page."""
    book = _opened(data, request)
    for page in book:
        words = page.get_textpage()
        yield words.get_text_range()
        words.close()
        page.close()


def _picture(data: bytes | BufferedReader, request: dict[str, Any]) -> Iterator[Any]:
    """One page as a PNG, with the places marked where words stand."""
    from PIL import Image, ImageDraw

    book = _opened(data, request)
    page = book[request["page"] - 1]
    width, height = page.get_size()
    scale = min(2.0, _MOST_WIDE / max(width, 1), _MOST_HIGH / max(height, 1))
    ground = page.render(scale=scale).to_pil().convert("RGBA")
    marks = Image.new("RGBA", ground.size, (0, 0, 0, 0))
    draw = ImageDraw.Draw(marks)
    words = page.get_textpage()
    for word in request["words"]:
        found = words.search(word)
        for _ in range(200):
            place = found.get_next()
            if place is None:
                break
            for at in range(words.count_rects(*place)):
                left, bottom, right, top = words.get_rect(at)
                draw.rectangle(
                    (left * scale - 1, (height - top) * scale - 1, right * scale + 1, (height - bottom) * scale + 1),
                    fill=_MARK,
                )
    out = io.BytesIO()
    Image.alpha_composite(ground, marks).convert("RGB").save(out, "PNG")
    yield base64.b64encode(out.getvalue()).decode()


def _tables(data: bytes | BufferedReader, request: dict[str, Any]) -> Iterator[Any]:
    """The rows of all tables, page by page: of ruled ones by their lines, else by how words stand."""
    import pdfplumber

    rows, has_text = 0, False
    with pdfplumber.open(io.BytesIO(data) if isinstance(data, bytes) else data) as book:
        if len(book.pages) > request["pages"]:
            raise Unreadable(
                f"This PDF has {len(book.pages):,} pages; tables are read of {request['pages']:,}. Print its price "
                "pages into a PDF of their own."
            )
        for page in book.pages:
            has_text = has_text or bool(page.chars)
            for row in _ruled_rows(page) or _rows_between_gaps(page):
                rows += 1
                if rows > request["rows"]:
                    raise Unreadable(f"This file has more than {request['rows']} rows. Split it.")
                yield [" ".join((cell or "").split()) for cell in row]
            page.close()
    if not has_text:
        raise Unreadable(_SCAN)


def _ruled_rows(page: Any) -> list[list[Any]]:
    """The rows of the tables with lines, and what stands outside of them, under the columns that it stands below: a
    row that is broken at the page's end has no line there. None where no table has lines.
    """
    tables = page.find_tables()
    found = [(row.bbox[1], cells) for table in tables for row, cells in zip(table.rows, table.extract(), strict=True)]
    if not tables:
        return []
    outside = page
    for table in tables:
        outside = outside.outside_bbox(table.bbox)
    lefts = sorted({cell[0] for row in tables[0].rows for cell in row.cells if cell})
    for line in _lines(outside):
        cells = [""] * len(lefts)
        for cell in line:
            place = max(0, sum(left <= cell["x0"] + 1 for left in lefts) - 1)
            cells[place] = f"{cells[place]} {cell['text']}".strip()
        found.append((line[0]["top"], cells))
    return [cells for _, cells in sorted(found, key=lambda each: each[0])]


def _lines(page: Any) -> list[list[Any]]:
    """What stands on a page outside of tables: lines of cells from left to right."""
    from pdfplumber.utils.clustering import cluster_objects

    # Where blanks stand in the text they hold a cell together; else how near its words are, in heights of type.
    has_blanks = any(each["text"] == " " for each in page.chars)
    cells = page.extract_words(x_tolerance_ratio=0.15 if has_blanks else 0.7, keep_blank_chars=True)
    return [sorted(line, key=lambda cell: cell["x0"]) for line in cluster_objects(cells, "doctop", 3)]


def _rows_between_gaps(page: Any) -> Iterator[list[str]]:
    """The rows of a table without lines: what stands close together is a cell; columns part where no cell reaches.

    Lines of one cell, such as headings, say nothing about the columns.
    """
    lines = _lines(page)
    columns: list[list[float]] = []
    for left, right in sorted((cell["x0"], cell["x1"]) for line in lines if len(line) > 1 for cell in line):
        if columns and left <= columns[-1][1]:
            columns[-1][1] = max(columns[-1][1], right)
        else:
            columns.append([left, right])
    for line in lines:
        row = [""] * max(1, len(columns))
        for cell in line:
            place = sum(left <= cell["x0"] for left, _ in columns[1:])
            row[place] = f"{row[place]} {cell['text']}".strip()
        yield row


_PARTS = {"texts": _texts, "picture": _picture, "tables": _tables}
