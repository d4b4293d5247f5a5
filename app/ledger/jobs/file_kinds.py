"""What a sent file is, told by its content alone, and a name for it that can do no harm."""

from __future__ import annotations

import io
import unicodedata
import warnings
import zipfile

# The library has types, but WeasyPrint brings it; named in pyproject.toml because it is used here.
from PIL import Image

from app.ledger.store.errors import LedgerError
from app.ledger.tables import FileKind

MOST_BYTES = 15 * 1024 * 1024
KINDS_IN_WORDS = "PDF, JPEG, PNG, WebP, TXT, CSV or XLSX"
_IMAGES = {"JPEG": FileKind.JPEG, "PNG": FileKind.PNG, "WEBP": FileKind.WEBP}
_SUFFIXES = {kind: (f".{kind.value}", kind.suffix) for kind in FileKind} | {FileKind.JPEG: (".jpg", ".jpeg")}
_LONGEST = 120
# A JPEG can be opened at an eighth of its size, the other kinds only whole, with four bytes a pixel.
_MOST_PIXELS_WHOLE = 30_000_000
_TURNING = "\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"


def find_kind(name: str, content: bytes) -> FileKind:
    """The kind of a file; its name decides between plain text and a table of text, and nothing else.

    Raises LedgerError on `file` with what to do when it is empty, too large, damaged, or of another kind.
    """
    if not content:
        raise LedgerError("file", "This file is empty. Choose another.")
    if len(content) > MOST_BYTES:
        raise LedgerError(
            "file",
            f"This file has {_megabytes(len(content))}; at most {_megabytes(MOST_BYTES)} are kept. Take the photo "
            "smaller, or send fewer pages.",
        )
    if content.startswith(b"%PDF-"):
        if b"%%EOF" not in content[-2048:]:
            raise LedgerError("file", "This PDF ends before its end: it was cut short on its way. Send it again.")
        return FileKind.PDF
    if content.startswith(b"PK\x03\x04"):
        return _spreadsheet(content)
    if content.startswith((b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n")) or content[8:12] == b"WEBP":
        return _image(content)
    if _is_text(content) and name.lower().endswith((".txt", ".csv")):
        return FileKind.CSV if name.lower().endswith(".csv") else FileKind.TXT
    raise LedgerError("file", f"This is none of the accepted kinds: {KINDS_IN_WORDS}. Save it as one of them.")


def _megabytes(count: int) -> str:
    return f"{-(-count // (1024 * 1024))} MB"


def _spreadsheet(content: bytes) -> FileKind:
    """XLSX by what its archive lists; nothing in it is unpacked."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            names = set(archive.namelist())
    except (zipfile.BadZipFile, ValueError, NotImplementedError) as error:
        raise LedgerError("file", "This spreadsheet is damaged. Save it anew and send it again.") from error
    if not {"[Content_Types].xml", "xl/workbook.xml"} <= names:
        raise LedgerError("file", f"This is an archive, not a spreadsheet. Accepted are {KINDS_IN_WORDS}.")
    if any(name.lower().endswith(".bin") and "vba" in name.lower() for name in names):
        raise LedgerError("file", "This spreadsheet carries macros. Save it as XLSX without macros and send that.")
    return FileKind.XLSX


def _image(content: bytes) -> FileKind:
    damaged = LedgerError("file", "This picture is damaged or not what it seems. Take it anew, or save it again.")
    try:
        with warnings.catch_warnings():
            # More pixels than a camera has would fill the memory of who opens it.
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(content), formats=tuple(_IMAGES)) as picture:
                kind = _IMAGES[picture.format or ""]
                if has_too_many_pixels(picture):
                    raise Image.DecompressionBombError
                picture.verify()
    except (Image.DecompressionBombWarning, Image.DecompressionBombError) as error:
        raise LedgerError("file", "This picture has more pixels than a camera takes. Save it smaller.") from error
    except Exception as error:  # a damaged picture raises what it likes, by kind and by fault
        raise damaged from error
    return kind


def has_too_many_pixels(picture: Image.Image) -> bool:
    """Whether opening it would take more memory than a photo may."""
    return picture.format != "JPEG" and picture.width * picture.height > _MOST_PIXELS_WHOLE


def _is_text(content: bytes) -> bool:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return False
    return not any(unicodedata.category(one) == "Cc" and one not in "\t\n\r\f" for one in text)


def plain_name(sent: str, kind: FileKind) -> str:
    """The sender's name for a file as people see it: no folder, nothing unprintable, the ending of its kind.

    >>> plain_name("../../etc/passwd", FileKind.TXT), plain_name("C:\\\\photos\\\\old core.JPEG", FileKind.JPEG)
    ('passwd.txt', 'old core.JPEG')
    >>> plain_name("list.pdf.exe", FileKind.PDF), plain_name("...", FileKind.PNG)
    ('list.pdf', 'file.png')
    """
    last = sent.replace("\\", "/").rpartition("/")[2]
    kept = "".join(" " if one.isspace() else one for one in last if one.isspace() or _is_plain(one))
    name = " ".join(kept.split()).strip(". ")
    stem, dot, ending = name.rpartition(".")
    if not dot or f".{ending.lower()}" not in _SUFFIXES[kind]:
        has_ending = dot and len(ending) <= 5 and ending.isalnum()
        stem, ending = (stem if has_ending else name), kind.suffix[1:]
    if any(stem.lower().endswith(suffix) for suffix in _SUFFIXES[kind]):
        stem = stem.rpartition(".")[0]
    stem = stem.strip(". ")[: _LONGEST - len(ending) - 1] or "file"
    return f"{stem}.{ending}"


def _is_plain(character: str) -> bool:
    return character.isprintable() and character not in _TURNING and character not in '<>:"|?*'
