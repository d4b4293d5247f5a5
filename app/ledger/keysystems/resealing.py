"""Every sealed value of the house opened with one key and sealed with another, inside the caller's transaction."""

from __future__ import annotations

__all__ = ["reseal"]

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.keysystems.bittings import bitting_context, fingerprint_context, plan_context
from app.ledger.keysystems.models import Bitting, KeySystem
from app.ledger.vault import Vault


def reseal(session: Session, old: Vault, new: Vault) -> int:
    """How many values were sealed anew. VaultError where one does not open; the caller's transaction then undoes all.

    Each new value is opened again before it counts: what cannot be read back is never written.
    """
    count = 0
    for row in session.scalars(sa.select(Bitting).order_by(Bitting.id)):
        context = bitting_context(row.system_id, row.keyset_id)
        text = old.open(row.sealed, context)
        row.sealed = _sealed(new, text, context)
        row.fingerprint = new.fingerprint(text, fingerprint_context(row.system_id))
        count += 1
    for system in session.scalars(sa.select(KeySystem).where(KeySystem.sealed_plan.is_not(None))):
        context = plan_context(system.id)
        system.sealed_plan = _sealed(new, old.open(system.sealed_plan or b"", context), context)
        count += 1
    session.flush()
    return count


def _sealed(vault: Vault, text: str, context: str) -> bytes:
    blob = vault.seal(text, context)
    if vault.open(blob, context) != text:  # pragma: no cover - would be a fault of the cipher itself
        raise RuntimeError("a value sealed just now does not open")
    return blob
