"""What the ledger refuses, each with a field and a sentence for a person."""

from __future__ import annotations

import re

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
    def from_database(cls, detail: str) -> Taken:
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
