"""Keysets that no further cylinder may be keyed to: retired ones, and those of which a key is lost."""

from __future__ import annotations

from collections.abc import Collection

from sqlalchemy.orm import Session

from app.ledger.keysystems.lost_masters import lost_keysets
from app.ledger.store.errors import LedgerError
from app.ledger.tables import Keyset

RETIRED = "retired"


def is_retired(keyset: Keyset) -> bool:
    """Whether the list that a system was taken over from says that this keyset is no more."""
    return RETIRED in keyset.purpose.split(", ")


def require_not_retired(keysets: Collection[Keyset], field: str) -> None:
    """Refuse, on `field`, keysets that are no more: nobody knows who has their keys."""
    for keyset in keysets:
        if is_retired(keyset):
            raise LedgerError(field, f"{keyset.symbol} is retired: its keys may be anywhere. Name another keyset.")


def require_not_lost(session: Session, keysets: Collection[Keyset], field: str) -> None:
    """Refuse, on `field`, keysets of which a key is lost: whoever has it would open the door."""
    for lost in lost_keysets(session, [keyset.id for keyset in keysets]):
        raise LedgerError(
            field,
            f"A key of {lost.keyset.symbol} is lost: whoever has it would open this door. Name another keyset, leave "
            "it empty for a new one, or take the key back on its page if it was found.",
        )
