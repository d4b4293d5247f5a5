"""A look at a workbook's parts before they are read: no single tag, comment or declaration in them may be endless."""

from __future__ import annotations

__all__ = ["has_endless_markup"]

import zipfile
from xml.parsers import expat

MOST_MARKUP = 1 << 18  # bytes from one < to its end; a spreadsheet program writes some hundred
_CHUNK = 1 << 16


def has_endless_markup(packed: zipfile.ZipFile) -> bool:
    """Whether a part holds a piece of markup of more than MOST_MARKUP bytes.

    A parser that is given a file piece by piece begins such a piece anew each time: a few kilobytes, packed, would
    keep it for minutes (CVE-2023-52425; newer versions of the parser wait by themselves).
    """
    return any(_is_endless(packed, entry) for entry in packed.infolist() if entry.file_size > MOST_MARKUP)


def _is_endless(packed: zipfile.ZipFile, entry: zipfile.ZipInfo) -> bool:
    parser, taken = expat.ParserCreate(), 0
    with packed.open(entry) as part:
        while chunk := part.read(_CHUNK):
            taken += len(chunk)
            try:
                parser.Parse(chunk, False)
            except expat.ExpatError:  # a picture, or damage: who reads it stops at the same place
                return False
            if taken - parser.CurrentByteIndex > MOST_MARKUP:
                return True
    return False
