"""Keys of what is out of use, a retired system or keysets of one, or old copies after a loss, called in from whoever
holds them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import contains_eager

from app.ledger.keys.key_queries import CALLED_IN
from app.ledger.keys.keys import put_back
from app.ledger.keys.old_copies import useless_copies
from app.ledger.keysystems.system_queries import get_system
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Key, Keyset, KeyState, KeySystem, Role
from app.pricing import show_day
from app.validation import counted


@dataclass(frozen=True, slots=True)
class HeldOutOfUse:
    """One holder's keys of what is out of use, by symbol and copy number; "" where nobody named the holder."""

    holder: str
    keys: tuple[Key, ...]


def still_out(work: Work, system_id: int) -> tuple[HeldOutOfUse, ...]:
    """Who holds keys of a system's retired keysets, or of all of a retired system's, or old copies that open nothing
    since a loss, by name; lost keys not.

    One person is one holder, however the name was spelled in letters and blanks.
    """
    return _by_holder(_keys(work, system_id, KeyState.OUT))


def lost_out_of_use(work: Work, system_id: int) -> tuple[Key, ...]:
    """The lost keys of what is out of use in a system: nobody can bring them back."""
    return tuple(_keys(work, system_id, KeyState.LOST))


def _keys(work: Work, system_id: int, state: KeyState) -> list[Key]:
    rows = (
        sa.select(Key)
        .join(Key.keyset)
        .join(Keyset.system)
        .options(contains_eager(Key.keyset).contains_eager(Keyset.system))
        .where(KeySystem.id == system_id, Key.state == state)
        .order_by(Keyset.id, Key.copy_number)
    )
    keys = work.session.scalars(rows).all()
    useless = useless_copies(work, keys)
    return [key for key in keys if key.keyset.is_out_of_use or key in useless]


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
        raise LedgerError("back_by", f"{show_day(back_by)} is past; enter today or a later day.")
    system = get_system(work.session, system_id)
    held = still_out(work, system_id)
    keys = [key for one in held for key in one.keys]
    if not keys:
        raise LedgerError("back_by", "No key of what is out of use here is out: there is nobody to write to.")
    for key in keys:
        key.due_back = back_by
    named = sum(bool(one.holder) for one in held)
    holders = f" from {counted(named, 'holder')}" if named else ""
    said = f"{counted(len(keys), 'key')} called in{holders}, by {show_day(back_by)}"
    subject, ids = f"key system {system.id}", [key.id for key in keys]
    record(work, CALLED_IN, subject, f"{system.name}: {said}", keys=ids)
    return held


def tick_off(work: Work, system_id: int, key_ids: Sequence[int]) -> int:
    """Take back keys of what is out of use as they come in, from whomever; how many.

    Problems on `keys` for those that are not out any more, LedgerError where none was ticked; then none is taken.
    """
    work.require(Role.COUNTER, Role.BENCH)
    wanted = set(key_ids)
    if not wanted:
        raise LedgerError("keys", "Tick the keys that came back.")
    with transaction(work.session):
        keys = [key for one in still_out(work, system_id) for key in one.keys if key.id in wanted]
        if gone := len(wanted) - len(keys):
            told = f"{counted(gone, 'key')} of those ticked came back in between, or went elsewhere: look again."
            raise LedgerError("keys", told)
        for keyset in dict.fromkeys(key.keyset for key in keys):
            put_back(work, keyset, [key for key in keys if key.keyset is keyset])
        return len(keys)


@dataclass(frozen=True, slots=True)
class CallInLetter:
    """What is written to one holder: which keys, of what, and by when they are to be back. Never a bitting.

    pieces: keyset, copy number, and what is stamped on it. back_by None: as soon as can be.
    """

    holder: str
    customer: str
    system: str
    reason: str
    pieces: tuple[tuple[str, int, str], ...]
    back_by: date | None


def letters_of(work: Work, system_id: int) -> tuple[CallInLetter, ...]:
    """A letter to each who holds keys of what is out of use in a system; LedgerError where nobody does."""
    system = get_system(work.session, system_id)
    held = [one for one in still_out(work, system_id) if one.holder]
    if not held:
        raise LedgerError("back_by", "No key of what is out of use here is out: there is nobody to write to.")
    return tuple(
        CallInLetter(
            one.holder,
            system.customer.name,
            system.name,
            system.retired_reason if system.retired_on else _reason(one.keys),
            tuple((key.keyset.symbol, key.copy_number, key.stamp) for key in one.keys),
            max((key.due_back for key in one.keys if key.due_back), default=None),
        )
        for one in held
    )


def _reason(keys: Sequence[Key]) -> str:
    if all(key.keyset.is_out_of_use for key in keys):
        return "these keysets were replaced"
    return "they were replaced, and copies with other numbers stay good"
