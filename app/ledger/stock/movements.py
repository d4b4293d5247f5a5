"""Movements of stock, and their sums: what is on hand, reserved and free. Neither below zero, nor more reserved than
is there.

An item is counted once it has a movement. One that nobody counted is taken as it was before stock was kept: what the
catalog says is stocked counts as being there, and nothing is reserved, used up or refused for it.
"""

from collections.abc import Collection
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.stock.items import name_item
from app.ledger.store.engine import get_row, in_steps
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import SHELF, Item, MovementKind, StockMovement, StockPlace

_MOST_WHY = 200
# Which way a kind may change what is on hand and what is reserved: -1 down, 0 not at all, 1 up.
_WAYS: dict[MovementKind, tuple[tuple[int, ...], tuple[int, ...]]] = {
    MovementKind.RECEIVED: ((1,), (0, 1)),
    MovementKind.RESERVED: ((0,), (1,)),
    MovementKind.RELEASED: ((0,), (-1,)),
    MovementKind.USED: ((-1, 1), (-1, 0, 1)),
    MovementKind.SOLD: ((-1, 1), (-1, 0, 1)),
    MovementKind.RETURNED: ((-1, 1), (0,)),
    MovementKind.SCRAPPED: ((-1,), (-1, 0)),
    MovementKind.COUNTED: ((-1, 0, 1), (-1, 0)),
    MovementKind.MOVED: ((-1, 1), (-1, 0, 1)),
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """How many of an item there are. is_counted: whether it has a movement; without one the sums say nothing."""

    on_hand: int = 0
    reserved: int = 0
    is_counted: bool = False

    @property
    def free(self) -> int:
        """What is there for nobody yet."""
        return self.on_hand - self.reserved


NOTHING = Quantity()


def quantities(session: Session, item_ids: Collection[int], place_id: int | None = None) -> dict[int, Quantity]:
    """Item → what is there, everywhere or at one place; every item that is asked for is named. One query of up to
    10,000 items, which reads the index of sums alone.
    """
    found = dict.fromkeys(item_ids, NOTHING)
    for some in in_steps(list(found)):
        rows = _SUMS.where(StockMovement.item_id.in_(some))
        if place_id is not None:
            rows = rows.where(StockMovement.place_id == place_id)
        found |= {item: Quantity(on_hand, reserved, True) for item, on_hand, reserved in session.execute(rows)}
    return found


_SUMS = sa.select(
    StockMovement.item_id,
    sa.cast(sa.func.sum(StockMovement.on_hand), sa.Integer),
    sa.cast(sa.func.sum(StockMovement.reserved), sa.Integer),
).group_by(StockMovement.item_id)


def quantity_of(session: Session, item_id: int, place_id: int | None = None) -> Quantity:
    """The same of one item."""
    return quantities(session, [item_id], place_id)[item_id]


def is_counted(session: Session, item_ids: Collection[int]) -> frozenset[int]:
    """Those of the items that somebody counted."""
    found: set[int] = set()
    for some in in_steps(list(item_ids)):
        rows = sa.select(Item.id).where(Item.id.in_(some), Item.is_counted)
        found |= set(session.scalars(rows))
    return frozenset(found)


def move_stock(
    work: Work,
    item: Item,
    kind: MovementKind,
    *,
    on_hand: int = 0,
    reserved: int = 0,
    why: str,
    place: StockPlace | None = None,
    job_id: int | None = None,
    need_id: int | None = None,
    order_line_id: int | None = None,
    cost_cents: int | None = None,
) -> StockMovement:
    """Write a movement, inside the caller's transaction. place: the shelf where none is named.

    The item's row is locked first, so of two who take the last piece at once one gets it. LedgerError on `quantity`
    names item, place and figures where a sum would fall below zero, or more would be reserved than is there.
    """
    if not may_change(kind, on_hand, reserved):
        raise ValueError(f"{kind.value}: on hand {on_hand}, reserved {reserved}")
    session = work.session
    lock_item(session, item.id)
    there = place or get_row(session, StockPlace, SHELF, "place")
    sums = quantity_of(session, item.id, there.id)
    after = Quantity(sums.on_hand + on_hand, sums.reserved + reserved)
    if after.on_hand < 0 or after.reserved < 0 or after.free < 0:
        raise LedgerError("quantity", _refusal(item, there, sums, kind, on_hand, reserved))
    moved = StockMovement(
        item_id=item.id,
        place_id=there.id,
        kind=kind,
        on_hand=on_hand,
        reserved=reserved,
        cost_cents=cost_cents,
        at=work.now,
        by_id=work.actor.user_id,
        why=why[:_MOST_WHY],
        job_id=job_id,
        need_id=need_id,
        order_line_id=order_line_id,
    )
    session.add(moved)
    session.flush()
    if not item.is_counted:  # by a statement of its own: the item is no other version by it
        session.execute(sa.update(Item).where(Item.id == item.id).values(is_counted=True))
    return moved


def mark_counted(session: Session) -> None:
    """Mark the items that have movements, which came without it."""
    moved = sa.exists().where(StockMovement.item_id == Item.id)
    session.execute(sa.update(Item).where(~Item.is_counted, moved).values(is_counted=True))


def newest_movement(session: Session) -> int:
    """The number of the newest movement, which tells what was over at this moment; 0 before the first."""
    return session.scalar(sa.select(sa.func.max(StockMovement.id))) or 0


def lock_item(session: Session, item_id: int) -> None:
    """Let nobody else move an item until the transaction ends."""
    session.execute(sa.select(Item.id).where(Item.id == item_id).with_for_update())


def may_change(kind: MovementKind, on_hand: int, reserved: int) -> bool:
    """Whether a movement of this kind can do that to what is on hand and reserved.

    >>> may_change(MovementKind.SCRAPPED, -2, 0), may_change(MovementKind.RESERVED, -2, 2)
    (True, False)
    """
    ways = _WAYS[kind]
    return _sign(on_hand) in ways[0] and _sign(reserved) in ways[1]


def _sign(number: int) -> int:
    return (number > 0) - (number < 0)


def _refusal(item: Item, place: StockPlace, sums: Quantity, kind: MovementKind, on_hand: int, reserved: int) -> str:
    """Why not, in figures, and what to do."""
    said = f"{name_item(item)} at {place.name}: {sums.on_hand:,} on hand"
    if sums.reserved:
        said += f", {sums.reserved:,} of them reserved for jobs, {sums.free:,} free"
    wanted = max(-on_hand, reserved) if kind is not MovementKind.RELEASED else -reserved
    if kind is MovementKind.RELEASED:
        return f"{said}; {wanted:,} reserved ones cannot be released."
    return f"{said}; {wanted:,} cannot be {kind.value}. If more lie there, count them first."
