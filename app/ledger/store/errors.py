"""What the ledger refuses, each with a field and a sentence for a person; a database's own troubles among them."""

import errno
import re
import sqlite3

from sqlalchemy.exc import DBAPIError, OperationalError

from app.errors import BitternError


class LedgerError(BitternError):
    """A refusal by the ledger."""


class NotFound(LedgerError):
    """There is no such row."""

    def __init__(self, what: str) -> None:
        super().__init__("", f"There is no such {what} on record.")


class NotEntered(NotFound):
    """What the owner has still to enter before others can go on; the message says it whole."""

    def __init__(self, message: str) -> None:
        LedgerError.__init__(self, "", message)


class NotAllowed(LedgerError):
    """The person's role does not permit this."""

    def __init__(self, message: str = "Your role does not permit this; ask the owner.") -> None:
        super().__init__("", message)


class Stale(LedgerError):
    """Somebody else saved the same row first."""

    def __init__(self, message: str = "") -> None:
        super().__init__(
            "version",
            message
            or "Somebody else saved this while you were typing. Nothing of yours was lost: compare, then save again.",
        )


class Taken(LedgerError):
    """A value that must be unique exists already."""

    @classmethod
    def from_database(cls, detail: str) -> "Taken":
        """Name the column that a unique constraint refused, without its value (it may be a secret)."""
        found = re.search(r"UNIQUE constraint failed: (\w+\.\w+(?:, \w+\.\w+)*)", detail)
        if found:
            column = found.group(1).split(", ")[-1].split(".")[-1]
        else:
            named = re.search(r'unique constraint "uq_(\w+)"', detail)
            column = named.group(1) if named else ""
        if column:
            return cls(column, f"This {column.replace('_', ' ')} is on record already; choose another.")
        return cls("", "The ledger refused this: it would contradict what is on record.")


class LedgerBusy(LedgerError):
    """Another writer kept the database for too long."""

    def __init__(self) -> None:
        super().__init__("", "The ledger is busy with another save. Nothing was changed; try again.")


class LedgerStopped(LedgerError):
    """The machine under the ledger is in trouble: nothing is saved until a person has mended it."""

    def __init__(self, title: str, message: str, mend: str) -> None:
        super().__init__("", message)
        self.title, self.mend = title, mend


class VaultError(LedgerError):
    """The sealing key is missing, unreadable, open to others, or not the one this database was sealed with."""

    def __init__(self, message: str) -> None:
        super().__init__("key file", message)


_FULL = (
    "The disk is full",
    "The ledger has no room left on its disk. Nothing of this was saved; what was saved before is safe.",
    "Have the owner make room on the disk, then save again. Reading goes on meanwhile.",
)
_REFUSED = (
    "The ledger cannot be written",
    "The ledger's disk refuses what is written, or the file is too large for this disk or for a limit on files "
    "(ulimit -f). Nothing of this was saved; what was saved before is safe.",
    "Have the owner make room on the disk or raise the limit, then save again. Reading goes on meanwhile.",
)
_READ_ONLY = (
    "The ledger cannot be written",
    "The ledger's file or its disk can only be read. Nothing of this was saved; what was saved before is safe.",
    "Have the owner let Bittern write its folder again, then save again. Reading goes on meanwhile.",
)
_GONE = (
    "The ledger cannot be reached",
    "The ledger's file cannot be opened, or its server does not answer. Nothing of this was saved.",
    "Have the owner look whether the disk is there and can be written, or the database server runs, then try again.",
)
_DAMAGED = (
    "The ledger is damaged",
    "The ledger's file does not read as it should. Nothing of this was saved.",
    "Stop work, and have the owner put back the last backup: bittern restore. Key nothing from memory meanwhile.",
)
_BUSY: tuple[str, ...] = ("locked", "busy")
# What SQLite says (its result codes' sentences, sqlite.org/rescode.html; from memory).
_SAID = {
    "disk is full": _FULL,
    "readonly": _READ_ONLY,
    "read-only": _READ_ONLY,
    "unable to open": _GONE,
    "disk i/o error": _GONE,
    "malformed": _DAMAGED,
    "not a database": _DAMAGED,
}
# PostgreSQL's codes (its manual, appendix A; from memory), by their beginnings.
_CODES = {
    "53100": _FULL,
    "25006": _READ_ONLY,
    "55P03": None,  # lock not available
    "40": None,  # deadlock, serialization
    "08": _GONE,
    "53": _GONE,
    "57P": _GONE,
    "58": _GONE,
    "XX001": _DAMAGED,
    "XX002": _DAMAGED,
}


def trouble_of(error: DBAPIError) -> LedgerError | None:
    """The trouble that the database tells of: busy, or stopped for a reason; None where it is something else."""
    code = getattr(error.orig, "sqlstate", None) or ""
    for beginning, told in _CODES.items():
        if code.startswith(beginning):
            return LedgerStopped(*told) if told else LedgerBusy()
    said = str(error.orig).lower()
    if any(word in said for word in _BUSY):
        return LedgerBusy()
    if getattr(error.orig, "sqlite_errorcode", None) == sqlite3.SQLITE_IOERR_WRITE:  # told as "disk I/O error" alone
        return LedgerStopped(*_REFUSED)
    told = next((told for words, told in _SAID.items() if words in said), None)
    # A server that does not let one in has no code for it: what fails before there is a connection is the driver's.
    is_no_answer = isinstance(error, OperationalError) and hasattr(error.orig, "sqlstate") and not code
    if told is None and (error.connection_invalidated or is_no_answer):
        told = _GONE
    return LedgerStopped(*told) if told else None


def reason_of(error: OSError) -> str:
    """Why a file could not be written or read, as the end of a sentence without its full stop.

    >>> reason_of(OSError(errno.ENOSPC, "No space left on device"))
    'No space left on device'
    >>> reason_of(OSError(errno.EFBIG, "File too large"))
    'the file is too large for this disk or for a limit on files (ulimit -f)'
    """
    if error.errno == errno.EFBIG:
        return "the file is too large for this disk or for a limit on files (ulimit -f)"
    return error.strerror or str(error)


class BackupError(LedgerError):
    """A backup cannot be made, opened or put back; whatever was there before stands as it was."""
