"""Keysets that no further cylinder may be keyed to: retired ones, and those of which a key is lost."""

from __future__ import annotations

__all__ = ["RETIRED", "is_retired", "require_in_use"]

from collections.abc import Collection

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.errors import LedgerError
from app.ledger.keysystems.models import Key, Keyset, KeyState

RETIRED = "retired"


def is_retired(keyset: Keyset) -> bool:
    """Whether the list that a system was taken over from says that this keyset is no more."""
    return RETIRED in keyset.purpose.split(", ")


def require_in_use(session: Session, keysets: Collection[Keyset], field: str) -> None:
    """Refuse, on `field`, keysets whose key would let a stranger in: nobody knows who has a lost or retired one."""
    lost = set(
        session.scalars(
            sa.select(Key.keyset_id).where(
                Key.keyset_id.in_([keyset.id for keyset in keysets]), Key.state == KeyState.LOST
            )
        )
    )
    for keyset in keysets:
        if is_retired(keyset):
            raise LedgerError(field, f"{keyset.symbol} is retired: its keys may be anywhere. Name another keyset.")
        if keyset.id in lost:
            raise LedgerError(
                field,
                f"A key of {keyset.symbol} is lost: whoever has it would open this door. Name another keyset, leave "
                "it empty for a new one, or take the key back on its page if it was found.",
            )
