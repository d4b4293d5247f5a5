"""A new sealing key for the house: all or nothing, whatever stops it on the way.

The order is what makes it safe. The new key is written beside the old one first. One transaction seals every value
anew and puts the new key's check on record. Only then do the key files change names, and the old one is kept. If
the house is stopped before the transaction is done, the old key is still the right one; if after, the next opening
finds the new key beside the old one and finishes the change of names.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import sqlalchemy as sa

from app.config import Config
from app.ledger.care.opening import Ledger, finish_rotation, next_key_file
from app.ledger.keysystems.resealing import reseal
from app.ledger.people.second_factor import reseal_factors
from app.ledger.store.engine import transaction
from app.ledger.store.errors import VaultError
from app.ledger.store.events import record
from app.ledger.store.vault import Vault
from app.ledger.store.work import Actor, Work
from app.ledger.tables import User, VaultCheck

ROTATED = "sealing key changed"


@dataclass(frozen=True, slots=True)
class Rotated:
    """What was done. `former`: where the old key is kept; backups made before need it."""

    values: int
    pins: int
    former: Path


def rotate_key(config: Config, ledger: Ledger, actor: Actor, now: datetime) -> Rotated:
    """Seal everything with a new key. Raises VaultError, and then the old key is still the one that opens.

    The ledger given has the old key and is of no use afterwards: open it anew. Screen PINs are peppered by the key,
    so they end with it; people set them anew, and unlock by their password until then.
    """
    if config.key:
        raise VaultError(
            "The key is given in BITTERN_KEY, where it cannot be changed from here. Put it in the key file (mode "
            "0600) and take BITTERN_KEY away, then rotate."
        )
    path, coming = config.vault_key_file, next_key_file(config.vault_key_file)
    coming.unlink(missing_ok=True)  # of a rotation that never was: the ledger opened with the key in its place
    new = Vault.make_file(coming)
    with ledger.sessions() as session, transaction(session):
        check = session.scalars(sa.select(VaultCheck).with_for_update()).one()
        if check.check_value != ledger.vault.check_value:
            raise VaultError("The key was changed by somebody else just now. Nothing was changed here.")
        values = reseal(session, ledger.vault, new) + reseal_factors(session, ledger.vault, new)
        pins = 0
        for user in session.scalars(sa.select(User).where(User.pin_hash != "")):
            user.pin_hash, pins = "", pins + 1
        check.check_value, check.made_at, check.sheet_at = new.check_value, now, None
        work = Work(session, new, actor, now)
        record(work, ROTATED, "house", f"Sealing key changed: {values} sealed values", values=values, pins=pins)
    return Rotated(values, pins, finish_rotation(path, datetime.now(UTC)))
