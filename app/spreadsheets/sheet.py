"""A table as somebody sent it: its rows as text whatever its encoding, and which of its cells are merged."""

import io
import re
from collections.abc import Iterable
from dataclasses import dataclass

from app.errors import BitternError
from app.spreadsheets.table_file import Row, pasted_rows, table_rows
from app.spreadsheets.workbook import sheet_with_merged

PASTED = "pasted table"
"""What a paste is called where a file has its name."""
_ENOUGH = 4096  # bytes that tell UTF-16 from other encodings
# What Windows-1252 writes above ASCII in tables of this trade: Western letters, quotation marks, dashes, fractions,
# degrees and the like. Anything else there means that the file is in another encoding.
_WESTERN = re.compile(r"[\x00-\x7f\xa0À-ÖØ-öø-ÿŒœŠšŽžŸ‘’“”‚„–—…•€£¢°±×÷¼½¾¹²³®©™§¶·«»º¡¿´`ªµ]*")


@dataclass(frozen=True, slots=True)
class SentSheet:
    """Rows as text, from the file's first, read as they are asked for, once; merged ranges such as "B3:B5"; the
    encoding where it is not UTF-8."""

    rows: Iterable[Row]
    merged: tuple[str, ...] = ()
    encoding: str = ""


def open_sheet(name: str, content: bytes, most_rows: int = 200_000) -> SentSheet:
    """The first sheet of a .csv or .xlsx file, or of a paste. BitternError on `file` as `table_rows` raises it, of a
    row when that is asked for.

    CSV in UTF-16 and in Windows-1252 is read where that is certain.

    >>> sheet = open_sheet("a.csv", "name\\nCafé".encode("cp1252"))
    >>> list(sheet.rows), sheet.encoding
    ([['name'], ['Café']], 'Windows-1252')
    """
    if name == PASTED:
        return SentSheet(_pasted(content.decode("utf-8", "replace")))
    if name.lower().endswith(".xlsx"):
        if len(content) > 50_000_000:
            return SentSheet(table_rows(name, content))
        merged, rows = sheet_with_merged(content, most_rows)
        return SentSheet(rows, merged)
    if not name.lower().endswith(".csv"):
        return SentSheet(table_rows(name, content, most_rows=most_rows))
    encoding, content = _in_utf8(content)
    # As a stream: its encoding was looked at just now, so that it is read once.
    return SentSheet(table_rows(name, io.BytesIO(content), most_rows=most_rows), encoding=encoding)


def _pasted(text: str) -> tuple[Row, ...]:
    numbered = dict(pasted_rows(text))
    return tuple(numbered.get(number, []) for number in range(1, max(numbered, default=0) + 1))


def _in_utf8(content: bytes) -> tuple[str, bytes]:
    """The encoding to tell of, and the content for the reader, which takes UTF-8 and UTF-16 that says so."""
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "UTF-16", content
    start = content[:_ENOUGH]
    for sign, texts, nuls in ((b"\xff\xfe", start[::2], start[1::2]), (b"\xfe\xff", start[1::2], start[::2])):
        if b"\0" in nuls and b"\0" not in texts and nuls.count(0) > 0.9 * len(nuls):
            return "UTF-16", sign + content
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        try:
            text = content.decode("cp1252")
        except UnicodeDecodeError:
            return "", content
        if _WESTERN.fullmatch(text) and sum(map(str.isascii, text)) > 0.7 * len(text):
            return "Windows-1252", text.encode()
    return "", content


def corners_of(cells: str) -> tuple[int, int, int, int]:
    """The first row and column of a range and its last ones, all from 0.

    >>> corners_of("B3:AA5")
    (2, 1, 4, 26)
    """
    corners = re.fullmatch(r"([A-Z]+)(\d+):([A-Z]+)(\d+)", cells)
    if corners is None:
        raise BitternError("file", f"The merged cells {cells[:20]} cannot be read. Undo the merging.")
    left, top, right, bottom = corners.groups()
    return int(top) - 1, column_place(left), int(bottom) - 1, column_place(right)


def column_place(letters: str) -> int:
    """The place, from 0, of a column as a spreadsheet names it.

    >>> column_place("A"), column_place("AA")
    (0, 26)
    """
    place = 0
    for letter in letters:
        place = place * 26 + ord(letter) - 64
    return place - 1


def column_letters(place: int) -> str:
    """A column, by its place from 0, as a spreadsheet names it.

    >>> column_letters(0), column_letters(27)
    ('A', 'AB')
    """
    before, last = divmod(place, 26)
    return (column_letters(before - 1) if before else "") + chr(65 + last)
