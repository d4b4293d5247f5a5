"""Files of the house: written under a name of chance, read back against their hash, named for people."""

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from io import BufferedReader
from pathlib import Path
from typing import Protocol

from app.ledger.store.errors import LedgerError, reason_of
from app.ledger.store.private_files import write_new_file
from app.ledger.tables import FileKind

_LONGEST_NAME = 120
_CHECKED: dict[Path, tuple[int, int, int, bytes]] = {}  # how a file was when it was held against its hash
_SUFFIXES = {kind: (f".{kind.value}", kind.suffix) for kind in FileKind} | {FileKind.JPEG: (".jpg", ".jpeg")}
_TURNING = "\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"


class KeptFile(Protocol):
    """A row that says of a file in the files folder what people call it, its name there, and its hash."""

    name: str
    stored_name: str
    sha256: bytes


def write_kept(path: Path, content: bytes) -> None:
    """Write a file through to the disk, in a folder that is made where it is missing; LedgerError on `file`."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        write_new_file(path, content)
    except OSError as error:
        raise LedgerError(
            "file", f"The file could not be written: {reason_of(error)}. Nothing was saved; tell the owner."
        ) from error


def read_kept(folder: Path, file: KeptFile) -> bytes:
    """A file's content, held against the hash on record; LedgerError when it is gone or was changed."""
    with _found(folder, file) as stream:
        content = stream.read()
    if hashlib.sha256(content).digest() != file.sha256:
        raise _changed(file)
    return content


@contextmanager
def open_kept(folder: Path, file: KeptFile) -> Iterator[BufferedReader]:
    """The same, to be read in parts: held against its hash at the first look, and when it was written since."""
    path = folder / file.stored_name
    with _found(folder, file) as stream:
        about = os.fstat(stream.fileno())
        now = about.st_ino, about.st_size, about.st_mtime_ns, file.sha256
        if _CHECKED.get(path) != now:
            if hashlib.file_digest(stream, "sha256").digest() != file.sha256:
                raise _changed(file)
            _CHECKED[path] = now
            stream.seek(0)
        yield stream


def _found(folder: Path, file: KeptFile) -> BufferedReader:
    try:
        return (folder / file.stored_name).open("rb")
    except OSError as error:
        raise LedgerError(
            "file",
            f"{file.name} is on record, but is not in the files folder. Put the folder back from a backup.",
        ) from error


def _changed(file: KeptFile) -> LedgerError:
    return LedgerError("file", f"{file.name} is not as it was sent; take it from a backup.")


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
    stem = stem.strip(". ")[: _LONGEST_NAME - len(ending) - 1] or "file"
    return f"{stem}.{ending}"


def _is_plain(character: str) -> bool:
    return character.isprintable() and character not in _TURNING and character not in '<>:"|?*'
