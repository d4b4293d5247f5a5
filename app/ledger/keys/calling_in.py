"""Keys of what is out of use, a retired system or keysets of one, called in from whoever holds them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session, contains_eager

from app.ledger.keys.key_queries import CALLED_IN
from app.ledger.keysystems.out_of_use import is_retired
from app.ledger.keysystems.system_queries import get_system
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Key, Keyset, KeyState, KeySystem, Role
from app.validation import counted


@dataclass(frozen=True, slots=True)
class HeldOutOfUse:
    """One holder's keys of what is out of use, by symbol and copy number; "" where nobody named the holder."""

    holder: str
    keys: tuple[Key, ...]


def still_out(session: Session, system_id: int) -> tuple[HeldOutOfUse, ...]:
    """Who holds keys of a system's retired keysets, or of all of a retired system's, by name; lost keys not: 1 query.

    One person is one holder, however the name was spelled in letters and blanks.
    """
    return _by_holder(_keys(session, system_id, KeyState.OUT))


def lost_out_of_use(session: Session, system_id: int) -> tuple[Key, ...]:
    """The lost keys of what is out of use in a system: nobody can bring them back."""
    return tuple(_keys(session, system_id, KeyState.LOST))


def _keys(session: Session, system_id: int, state: KeyState) -> list[Key]:
    rows = (
        sa.select(Key)
        .join(Key.keyset)
        .join(Keyset.system)
        .options(contains_eager(Key.keyset).contains_eager(Keyset.system))
        .where(KeySystem.id == system_id, Key.state == state)
        .order_by(Keyset.id, Key.copy_number)
    )
    return [key for key in session.scalars(rows) if is_retired(key.keyset)]


def _by_holder(keys: Sequence[Key]) -> tuple[HeldOutOfUse, ...]:
    held: dict[str, list[Key]] = {}
    for key in keys:
        held.setdefault(" ".join(key.holder.split()).casefold(), []).append(key)
    return tuple(HeldOutOfUse(held[name][0].holder, tuple(held[name])) for name in sorted(held))


def call_in(work: Work, system_id: int, back_by: date) -> tuple[HeldOutOfUse, ...]:
    """Ask for the keys of what is out of use in a system: each is due back by that day, and each has it in its story.

    Raises LedgerError on `back_by` where no key is out, or the day is past; NotFound.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        return call_in_keys(work, system_id, back_by)


def call_in_keys(work: Work, system_id: int, back_by: date) -> tuple[HeldOutOfUse, ...]:
    """The same inside the caller's transaction."""
    if back_by < work.today:
        raise LedgerError("back_by", f"{back_by.isoformat()} is past; enter today or a later day.")
    system = get_system(work.session, system_id)
    held = still_out(work.session, system_id)
    keys = [key for one in held for key in one.keys]
    if not keys:
        raise LedgerError("back_by", "No key of what is out of use here is out: there is nobody to write to.")
    for key in keys:
        key.due_back = back_by
    said = f"{counted(len(keys), 'key')} called in from {counted(len(held), 'holder')}, by {back_by.isoformat()}"
    subject, ids = f"key system {system.id}", [key.id for key in keys]
    record(work, CALLED_IN, subject, f"{system.name}: {said}", keys=ids)
    return held
