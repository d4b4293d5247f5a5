"""Old copies of a keyset that kept its symbol after a loss: cut to the bitting that was lost, and good until the last
door is done. Copy numbers tell them from the new ones.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.keysystems.copy_numbers import say_copies
from app.ledger.keysystems.lost_keysets import open_lost_bitting, operated_by
from app.ledger.keysystems.pinned import pinned_as_on_record, turned_by
from app.ledger.keysystems.system_queries import cylinders_keyed
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import CylinderState, Job, Key, Keyset, KeyState, Loss, RecordsHolder


@dataclass(frozen=True, slots=True)
class NewCopies:
    """A loss that gave a keyset another bitting under its symbol: copies from `first` on, the least number that its
    jobs brought, are cut to it; those below are old.
    """

    loss: Loss
    keyset: Keyset
    first: int


def new_copies(session: Session, keyset_ids: Collection[int]) -> tuple[NewCopies, ...]:
    """What losses brought for these keysets, the oldest first; nothing of a loss whose jobs brought no keys: old and
    new cannot be told apart there.
    """
    rows = (
        sa.select(Job.loss_id, Key.keyset_id, sa.func.min(Key.copy_number))
        .join(Job, Job.id == Key.job_id)
        .where(Job.loss_id.is_not(None))
        .group_by(Job.loss_id, Key.keyset_id)
        .order_by(Job.loss_id, Key.keyset_id)
    )
    brought = (
        NewCopies(session.get_one(Loss, loss_id), session.get_one(Keyset, keyset_id), first)
        for loss_id, keyset_id, first in session.execute(rows).all()
        if keyset_id in keyset_ids
    )
    return tuple(one for one in brought if one.loss.successors.get(one.keyset.symbol) == one.keyset.symbol)


def old_copies(session: Session, keys: Collection[Key]) -> dict[Key, NewCopies]:
    """Those of these keys that are cut to a bitting that was lost, each with the loss that replaced it."""
    brought = new_copies(session, {key.keyset_id for key in keys})
    found: dict[Key, NewCopies] = {}
    for key in keys:
        after = [one for one in brought if one.keyset.id == key.keyset_id and key.copy_number < one.first]
        if after:
            found[key] = min(after, key=lambda one: one.first)
    return found


def useless_copies(work: Work, keys: Collection[Key]) -> tuple[Key, ...]:
    """The old copies among these keys that have no door left to turn: nobody is to have them any more."""
    old = old_copies(work.session, keys)
    needed = {one: _is_needed(work, one) for one in dict.fromkeys(old.values())}
    return tuple(key for key in keys if key in old and not needed[old[key]])


def _is_needed(work: Work, new: NewCopies) -> bool:
    """Whether something is still pinned for a keyset's old bitting."""
    loss, system = new.loss, new.keyset.system
    operated = {one.cylinder_id for one in operated_by(work.session, new.keyset)}
    there = [one for one in cylinders_keyed(work.session, system) if one.id in operated]
    if system.records is not RecordsHolder.SHOP:  # by the record, as the loss itself
        ours = set(work.session.scalars(sa.select(Job.id).where(Job.loss_id == loss.id)))
        left = [one for one in there if one.state is CylinderState.FITTED and one.job_id not in ours]
        return loss.closed_at is None and bool(left)
    cuts = open_lost_bitting(work, loss) if new.keyset.id == loss.keyset_id else None
    if cuts is not None:
        return bool(turned_by(work, new.keyset, [cuts], there))
    sealed = [one for one in there if one.sealed_pins is not None]
    return len(pinned_as_on_record(work, sealed)) < len(sealed)


def require_not_old(work: Work, keys: Collection[Key], field: str) -> None:
    """Refuse, on `field`, to hand out old copies that open nothing any more."""
    if old := useless_copies(work, keys):
        raise LedgerError(
            field, f"{say_old(old)}: every door has the new bitting. Retire them, and hand out newer copies."
        )


def say_old(keys: Sequence[Key]) -> str:
    """Old copies in words, by symbol.

    >>> say_old(Keyset(symbol="A", keys=[Key(copy_number=2), Key(copy_number=1)]).keys)
    'A copies 1-2 are cut to the bitting that was lost'
    """
    named = ", ".join(
        f"{keyset.symbol} {say_copies([key.copy_number for key in keys if key.keyset is keyset])}"
        for keyset in dict.fromkeys(key.keyset for key in keys)
    )
    return f"{named} {'is' if len(keys) == 1 else 'are'} cut to the bitting that was lost"


def say_retired(keys: Collection[Key]) -> str:
    """What became of keys that came back as old copies and are retired, for the page and the story; "" for none."""
    if not (old := [key for key in keys if key.state is KeyState.RETIRED]):
        return ""
    return (
        f"{say_old(old)} and {'opens' if len(old) == 1 else 'open'} nothing any more: retired, not to hand out again."
    )
