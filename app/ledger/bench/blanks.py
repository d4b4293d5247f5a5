"""The key blanks that keys take, of a job or none: one for each that is cut, another where one was cut wrong."""

from collections import Counter
from collections.abc import Sequence

import sqlalchemy as sa
from sqlalchemy.orm import joinedload

from app.ledger.catalog.maker_queries import blank_for, get_item
from app.ledger.keys.key_queries import SCRAPPED
from app.ledger.keys.keys import cut_copies
from app.ledger.keysystems.system_queries import sections_entered
from app.ledger.stock.items import name_item
from app.ledger.stock.movements import is_counted, move_stock, quantities
from app.ledger.stock.needs import needs_of, take_out
from app.ledger.store.engine import get_row, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import (
    SHELF,
    Event,
    Item,
    ItemKind,
    Job,
    Key,
    Keyset,
    KeyState,
    MovementKind,
    Need,
    Role,
    StockMovement,
)
from app.validation import counted


def take_blanks(work: Work, job: Job) -> None:
    """Take the blanks of a job's keys that are ticked as cut out of the stock, inside the caller's transaction, and
    note as scrapped those of keys that are no longer good: scrapped, or to be cut anew.

    LedgerError on `keys` where the count has fewer. Of blanks that nobody counts nothing is written.
    """
    work.session.flush()
    if not (needs := _needs(work, job)):
        return
    rows = sa.select(Key).where(Key.job_id == job.id).options(joinedload(Key.keyset).joinedload(Keyset.system))
    keys = work.session.scalars(rows.order_by(Key.id)).all()
    blanks = _blanks(work, keys)
    cut = Counter(blanks[key.keyset_id] for key in keys if key.state not in (KeyState.ORDERED, KeyState.RETIRED))
    gone = Counter(blanks[key.keyset_id] for key in keys if key.id in _scrapped(work, keys))
    for need in needs:
        used, scrapped = (_moved(work, need, kind) for kind in (MovementKind.USED, MovementKind.SCRAPPED))
        if (anew := used - cut[need.item_id]) > 0:
            _move(work, need, MovementKind.USED, anew)
            _move(work, need, MovementKind.SCRAPPED, -anew)
            need.ended_at = None
            used, scrapped = used - anew, scrapped + anew
        missing = take_out(work, need, max(0, gone[need.item_id] - scrapped), MovementKind.SCRAPPED)
        missing += take_out(work, need, cut[need.item_id] - used, MovementKind.USED)
        if missing:
            raise LedgerError(
                "keys",
                f"{name_item(need.item)}: the stock has {counted(missing, 'key blank')} less by its sums than were "
                "cut. Count them on their page of Stock first.",
            )


def cut_keys(
    work: Work, system_id: int, symbol: str, copies: Sequence[int], override_reason: str = ""
) -> tuple[Key, ...]:
    """Say that ordered keys are cut and stamped, as `cut_copies` does, and take their blanks out of the stock.

    LedgerError on `copies` where the count has fewer blanks; then nothing is changed.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        keys = cut_copies(work, system_id, symbol, copies, override_reason)
        for job_id in sorted({key.job_id for key in keys if key.job_id is not None}):
            take_blanks(work, get_row(work.session, Job, job_id, "job"))
        of_none = [key for key in keys if key.job_id is None]
        item_id = _blanks(work, of_none)[of_none[0].keyset_id] if of_none else 0
        if item_id and is_counted(work.session, [item_id]):
            item, count = get_row(work.session, Item, item_id, "item of stock"), len(of_none)
            free = quantities(work.session, [item_id], SHELF)[item_id].free
            if free < count:
                told = f"{name_item(item)}: by the stock {counted(free, 'key blank')} of {count} are free."
                raise LedgerError("copies", f"{told} Count them on their page of Stock first.")
            why = f"{counted(count, 'key')} of {symbol}, for no job"
            move_stock(work, item, MovementKind.USED, on_hand=-count, why=why)
        return keys


def give_blanks_back(work: Work, job: Job, keys: Sequence[Key]) -> None:
    """Put the blanks of keys back whose ticks are undone, inside the caller's transaction: they were not cut."""
    if not (needs := _needs(work, job)):
        return
    blanks = _blanks(work, keys)
    back = Counter(blanks[key.keyset_id] for key in keys)
    for need in needs:
        if count := min(back[need.item_id], _moved(work, need, MovementKind.USED)):
            _move(work, need, MovementKind.USED, count, reserved=count)
            need.ended_at = None


def _move(work: Work, need: Need, kind: MovementKind, on_hand: int, *, reserved: int = 0) -> None:
    why = f"for job {need.job.number}"
    move_stock(
        work, need.item, kind, on_hand=on_hand, reserved=reserved, why=why, job_id=need.job_id, need_id=need.id
    )


def _needs(work: Work, job: Job) -> list[Need]:
    mine = [state.need for state in needs_of(work.session, job.id) if state.need.item.kind is ItemKind.BLANK]
    known = is_counted(work.session, {need.item_id for need in mine})
    return [need for need in mine if need.line_number is None and need.item_id in known]


def _moved(work: Work, need: Need, kind: MovementKind) -> int:
    rows = sa.select(sa.func.sum(StockMovement.on_hand)).where(StockMovement.need_id == need.id)
    return -int(work.session.scalar(rows.where(StockMovement.kind == kind)) or 0)


def _scrapped(work: Work, keys: Sequence[Key]) -> set[int]:
    """The ids of keys that were scrapped since they were cut wrong, and with them their blanks."""
    subjects = {f"key system {key.keyset.system_id}" for key in keys if key.state is KeyState.RETIRED}
    rows = sa.select(Event.detail).where(Event.kind == SCRAPPED, Event.subject.in_(subjects))
    return {key_id for detail in work.session.scalars(rows) for key_id in detail.get("keys", ())}


def _blanks(work: Work, keys: Sequence[Key]) -> dict[int, int]:
    """Keyset → the item of its keys' blanks, 0 where none is on record."""
    items, needed = dict[tuple[frozenset[str], int], int](), dict[int, frozenset[str]]()
    for system in {key.keyset.system for key in keys}:
        needed |= sections_entered(work.session, system)
    found = {}
    for keyset in {key.keyset for key in keys}:
        at = needed[keyset.id], keyset.system.chambers
        if at not in items:
            blank = blank_for(work.session, *at)
            item = get_item(work.session, *blank) if blank is not None else None
            items[at] = item.id if item is not None else 0
        found[keyset.id] = items[at]
    return found
