"""What backing up and restoring refuse, each with a sentence that says what to do."""

from __future__ import annotations

from app.ledger.store.errors import LedgerError


class BackupError(LedgerError):
    """A backup cannot be made, opened or put back; whatever was there before stands as it was."""
