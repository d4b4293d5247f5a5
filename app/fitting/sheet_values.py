"""The saved values of one worksheet's XML, row by row: what openpyxl gives with values only, several times faster."""

from __future__ import annotations

__all__ = ["sheet_values"]

from collections.abc import Iterator, Sequence
from typing import Any, BinaryIO
from xml.parsers import expat

from openpyxl.utils.datetime import from_excel, from_ISO8601  # type: ignore[import-untyped]  # ships no types

MOST_COLUMN = 16_384  # the format's own limit
MOST_ROW = 1_048_576
_CHUNK = 1 << 16
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main "
_ROW, _CELL, _VALUE, _TEXT, _PHONETIC = (_MAIN + name for name in ("row", "c", "v", "t", "rPh"))


class _Sheet:
    """Takes the parser's calls; `rows` holds (number, values) of the rows that ended."""

    def __init__(self, parser: Any, book: Any, shared: Sequence[Any]) -> None:
        self.rows: list[tuple[int, list[Any]]] = []
        self._parser, self._book, self._shared = parser, book, shared
        self._columns: dict[str, int] = {}
        self._row, self._column = 0, 0
        self._cells: list[Any] = []
        self._kind, self._style = "n", "0"
        self._parts: list[str] = []
        self._phonetic = 0
        parser.StartElementHandler, parser.EndElementHandler = self._start, self._end
        parser.EntityDeclHandler = self._refuse

    def _refuse(self, *declared: object) -> None:
        raise ValueError("a worksheet declares no entities")

    def _start(self, name: str, given: dict[str, str]) -> None:
        if name == _CELL:
            self._kind, self._style = given.get("t", "n"), given.get("s", "0")
            place = given.get("r")
            self._column = self._place(place) if place else self._column + 1
            self._parts = []
        elif name == _VALUE or (name == _TEXT and not self._phonetic):
            self._parser.CharacterDataHandler = self._parts.append
        elif name == _ROW:
            self._row = int(float(given["r"])) if "r" in given else self._row + 1
            if not 1 <= self._row <= MOST_ROW:
                raise ValueError("no such row")
            self._column, self._cells = 0, []
        elif name == _PHONETIC:
            self._phonetic += 1

    def _end(self, name: str) -> None:
        if name in (_VALUE, _TEXT):
            self._parser.CharacterDataHandler = None
        elif name == _CELL:
            if self._parts:
                short = self._column - len(self._cells)
                if short > 0:
                    self._cells += [None] * short
                self._cells[self._column - 1] = self._said("".join(self._parts))
        elif name == _ROW:
            self.rows.append((self._row, self._cells))
        elif name == _PHONETIC:
            self._phonetic -= 1

    def _place(self, place: str) -> int:
        letters = place.rstrip("0123456789")
        known = self._columns.get(letters)
        if known is None:
            known = 0
            for letter in letters.upper():
                known = known * 26 + ord(letter) - 64
            if not (letters.isascii() and letters.isalpha() and 1 <= known <= MOST_COLUMN):
                raise ValueError("no such column")
            self._columns[letters] = known
        return known

    def _said(self, text: str) -> Any:
        kind = self._kind
        if kind == "s":
            return self._shared[int(text)]
        if kind == "b":
            return bool(int(text))
        if kind == "d":
            return from_ISO8601(text)
        if kind != "n":
            return text
        number = float(text) if any(letter in ".eE" for letter in text) else int(text)
        style = int(self._style)
        if style not in self._book._date_formats:
            return number
        try:
            return from_excel(number, self._book.epoch, timedelta=style in self._book._timedelta_formats)
        except (OverflowError, ValueError):
            return "#VALUE!"


def sheet_values(book: Any, sheet: Any) -> Iterator[list[Any]]:
    """Every row of a read-only openpyxl sheet as its own `iter_rows` gives it, rows that are missing as empty lists.

    None stands for a cell without a value; those at a row's end are left off. Raises whatever the XML, ZIP or
    number reader meets in a damaged file. Formulas are never looked at: a cell gives the value saved with it.
    """
    # openpyxl takes the workbook apart (its parts, shared strings, styles); only its slow walk over cells is spared.
    source: BinaryIO
    with sheet._get_source() as source:
        parser = expat.ParserCreate(namespace_separator=" ")
        parser.buffer_text = True
        taken = _Sheet(parser, book, sheet._shared_strings)
        expected, more = 1, True
        while more:
            chunk = source.read(_CHUNK)
            more = bool(chunk)
            parser.Parse(chunk, not more)
            for number, cells in taken.rows:
                for _ in range(expected, number):
                    yield []
                if number >= expected:
                    yield cells
                    expected = number + 1
            taken.rows.clear()
