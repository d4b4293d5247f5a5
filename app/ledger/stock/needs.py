"""What jobs take of the stock: made at acceptance, reserved, ordered for, taken out, let go.

A need is of the part number that was sold; cylinders without pins of its type that the shop keys in its place are
reserved under it all the same. What is reserved and out are sums of the movements that name the need.
"""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.ledger.catalog.maker_queries import get_item
from app.ledger.catalog.price_queries import entered_bench_terms
from app.ledger.stock.free_stock import NO_DAY, Coming, FreeStock, Wanted
from app.ledger.stock.items import unpinned_item
from app.ledger.stock.movements import is_counted, move_stock, quantities
from app.ledger.stock.on_order import OPEN
from app.ledger.store.work import Work
from app.ledger.tables import (
    SHELF,
    Item,
    ItemKind,
    Job,
    MovementKind,
    Need,
    PurchaseLine,
    PurchaseOrder,
    PurchaseShare,
    StockMovement,
)
from app.pricing import BenchTerms

_OUT = (MovementKind.USED, MovementKind.SOLD)


@dataclass(frozen=True, slots=True)
class LineWant:
    """What a line of a job takes. number: None of what no one line does. keyed_at: shop, factory or ""."""

    number: int | None
    wanted: Wanted
    keyed_at: str = ""
    needed_on: date | None = None


@dataclass(frozen=True, slots=True)
class NeedState:
    """A need and how far it is met. out: used or handed over; coming: by orders on their way, for this need;
    to_order: the rest. is_counted: whether anybody counts the item, without which nothing is reserved.
    """

    need: Need
    reserved: int
    out: int
    coming: tuple[Coming, ...]
    to_order: int
    is_counted: bool

    @property
    def on_order(self) -> int:
        """How many are on their way for it."""
        return sum(one.quantity for one in self.coming)

    @property
    def can_start(self) -> bool:
        """Whether nothing of it is still to come."""
        return not (self.to_order or self.on_order)


def make_needs(work: Work, job: Job, wants: Sequence[LineWant]) -> None:
    """Put on record what an accepted job takes, and reserve of it what is free, inside the caller's transaction: of
    the shelf first, then of orders on their way. The rest is to be ordered, and all that a factory keys is, from it.
    """
    session = work.session
    terms = entered_bench_terms(session, work.today)
    here = [one.wanted for one in wants if one.keyed_at != "factory"]
    if terms is not None:
        _count_as_terms_do(work, terms, {one.stand_in for one in here if one.stand_in})
    free = FreeStock(session, work.today, terms, here)
    for one in wants:
        need = Need(
            job_id=job.id,
            line_number=one.number,
            item=_item_of(work, one.wanted),
            quantity=one.wanted.quantity,
            keyed_at=one.keyed_at,
            needed_on=one.needed_on,
            made_at=work.now,
        )
        session.add(need)
        session.flush()
        if one.keyed_at == "factory":
            continue
        taken = free.take(one.wanted)
        _reserve(work, job, need, need.item, taken.own)
        if taken.unpinned:
            _reserve(work, job, need, unpinned_item(work, one.wanted.stand_in), taken.unpinned)
        session.add_all(
            PurchaseShare(line_id=each.line_id, need_id=need.id, quantity=each.quantity, arrived=0)
            for each in taken.coming
        )


def _count_as_terms_do(work: Work, terms: BenchTerms, types: Collection[str]) -> None:
    """Cylinders without pins that nobody counted in the stock yet are as many as the bench's terms say."""
    for sort, count in terms.uncombinated_on_hand.items():
        if sort.value in types:
            item = unpinned_item(work, sort.value)
            if not is_counted(work.session, [item.id]):
                move_stock(work, item, MovementKind.COUNTED, on_hand=count, why="as the bench's terms counted them")


def _item_of(work: Work, wanted: Wanted) -> Item:
    """The item that is wanted; made by what was sold where the book has no such number: a maker composed it."""
    if not wanted.code:
        return unpinned_item(work, wanted.stand_in)
    if (item := get_item(work.session, wanted.maker_id, wanted.code)) is not None:
        return item
    kind = ItemKind.BLANK if wanted.is_blank else ItemKind.PART if wanted.stand_in else ItemKind.GOODS
    item = Item(
        maker_id=wanted.maker_id,
        kind=kind,
        code=wanted.code,
        category={ItemKind.BLANK: "key_blank", ItemKind.PART: "cylinder"}.get(kind, "hardware"),
        words=wanted.words[:300],
        cylinder_type=wanted.stand_in,
        finish=wanted.finish[:24],
    )
    work.session.add(item)
    work.session.flush()
    return item


def _reserve(work: Work, job: Job, need: Need, item: Item, count: int, *, order_line_id: int | None = None) -> None:
    if count:
        move_stock(
            work,
            item,
            MovementKind.RESERVED,
            reserved=count,
            why=f"for job {job.number}",
            job_id=job.id,
            need_id=need.id,
            order_line_id=order_line_id,
        )


def release_needs(work: Work, job: Job, why: str) -> None:
    """Let go what is still kept for a job, inside the caller's transaction: it was canceled, or is over. What is
    free by that goes to those who wait for it.
    """
    freed: dict[int, Item] = {}
    for need in _open(work.session, Need.job_id == job.id):
        for item, count in _held(work.session, need).items():
            move_stock(work, item, MovementKind.RELEASED, reserved=-count, why=why, job_id=job.id, need_id=need.id)
            freed[item.id] = item
        need.ended_at = work.now
    work.session.flush()
    _let_shares_go(work.session, job.id)
    for item in freed.values():
        reserve_waiting(work, item)


def _let_shares_go(session: Session, job_id: int) -> None:
    """Let what is still to come for a job come for the shelf."""
    rows = sa.select(PurchaseShare).join(Need).where(Need.job_id == job_id)
    for share in session.scalars(rows.order_by(PurchaseShare.id)):
        if share.arrived:
            share.quantity = share.arrived
        else:
            session.delete(share)
    session.flush()


def _wait_for_no_more(session: Session, need: Need) -> None:
    """Have come for the shelf what orders bring for a need beyond what it lacks, as it had pieces that were free."""
    sums = _sums(session, [need.id])[need.id]
    rows = sa.select(PurchaseShare).where(PurchaseShare.need_id == need.id).order_by(PurchaseShare.id.desc())
    shares = session.scalars(rows).all()
    over = sum(one.quantity - one.arrived for one in shares) - max(0, need.quantity - sums.out - sums.reserved)
    for share in shares:
        part = max(0, min(over, share.quantity - share.arrived))
        over -= part
        share.quantity -= part
        if not share.quantity:
            session.delete(share)
    session.flush()


def reserve_received(work: Work, line: PurchaseLine, quantity: int) -> None:
    """Reserve what came of an order's line, and lies on the shelf, inside the caller's transaction: for the jobs that
    it was ordered for, the earliest day first; then for others that wait for the item.
    """
    left = quantity
    shares = [share for share in line.shares if share.need.ended_at is None]
    for share in sorted(shares, key=lambda share: (share.need.needed_on or date.max, share.need_id)):
        count = min(left, share.quantity - share.arrived)
        share.arrived += count
        _reserve(work, share.need.job, share.need, line.item, count, order_line_id=line.id)
        left -= count
    work.session.flush()
    if left:
        reserve_waiting(work, line.item)


def reserve_waiting(work: Work, item: Item) -> None:
    """Reserve what is free of an item for the jobs that wait for it, the earliest day first, inside the caller's
    transaction: to be asked after a count, or whatever else brings pieces.
    """
    session = work.session
    free = quantities(session, [item.id], SHELF)[item.id].free
    if free <= 0:
        return
    if item.kind is ItemKind.UNPINNED:
        like = sa.select(Item.id).where(Item.cylinder_type == item.cylinder_type)
        waiting = _open(session, Need.item_id.in_(like), Need.keyed_at == "shop")
    else:
        waiting = _open(session, Need.item_id == item.id, Need.keyed_at != "factory")
    for state in _states(session, waiting):
        count = min(free, state.to_order if state.is_counted or item.kind is ItemKind.UNPINNED else 0)
        _reserve(work, state.need.job, state.need, item, count)
        free -= count
        if not free:
            return


def take_out(work: Work, need: Need, quantity: int, kind: MovementKind) -> int:
    """Take so many of a need out of the stock, used or sold, inside the caller's transaction: those reserved for it
    first, then such as are free. How many no record had there: they are counted first, or were never there; 0 of an
    item that nobody counts.
    """
    session, left = work.session, quantity
    why = f"for job {need.job.number}"
    for item, count in _held(session, need).items():
        if taken := min(left, count):
            move_stock(
                work, item, kind, on_hand=-taken, reserved=-taken, why=why, job_id=need.job_id, need_id=need.id
            )
            left -= taken
    items = [need.item]
    if need.keyed_at == "shop" and need.item.cylinder_type:
        items.append(unpinned_item(work, need.item.cylinder_type))
    known = is_counted(session, [one.id for one in items])
    for item in items:
        taken = min(left, max(0, quantities(session, [item.id], SHELF)[item.id].free))
        if taken:
            move_stock(work, item, kind, on_hand=-taken, why=why, job_id=need.job_id, need_id=need.id)
            left -= taken
    session.flush()
    if not known:
        return 0
    _wait_for_no_more(session, need)
    if _sums(session, [need.id])[need.id].out >= need.quantity:
        need.ended_at = work.now
    return left


def needs_of(session: Session, job_id: int) -> list[NeedState]:
    """What a job takes and how far that is met, in the order of its lines, what no one line takes last."""
    rows = sa.select(Need).where(Need.job_id == job_id).options(joinedload(Need.item).joinedload(Item.maker))
    return _states(
        session, session.scalars(rows.order_by(Need.line_number.is_(None), Need.line_number, Need.id)).all()
    )


def open_needs(session: Session, *only: sa.ColumnElement[bool]) -> list[NeedState]:
    """The needs of all jobs that are not met and over, the earliest day first."""
    return _states(session, _open(session, *only))


def _open(session: Session, *only: sa.ColumnElement[bool]) -> Sequence[Need]:
    rows = sa.select(Need).where(Need.ended_at.is_(None), *only).options(joinedload(Need.item), joinedload(Need.job))
    return session.scalars(rows.order_by(Need.needed_on.is_(None), Need.needed_on, Need.id)).all()


@dataclass(frozen=True, slots=True)
class _Sums:
    reserved: int = 0
    out: int = 0


def _sums(session: Session, need_ids: Sequence[int]) -> Mapping[int, _Sums]:
    found: dict[int, _Sums] = defaultdict(_Sums)
    left = sa.func.sum(sa.case((StockMovement.kind.in_(_OUT), -StockMovement.on_hand), else_=0))
    for start in range(0, len(need_ids), 5_000):
        rows = (
            sa.select(StockMovement.need_id, sa.func.sum(StockMovement.reserved), left)
            .where(StockMovement.need_id.in_(need_ids[start : start + 5_000]))
            .group_by(StockMovement.need_id)
        )
        for need_id, reserved, out in session.execute(rows):
            found[need_id] = _Sums(int(reserved), int(out))
    return found


def _held(session: Session, need: Need) -> dict[Item, int]:
    """What is reserved for a need, the item that was sold first."""
    held = sa.func.sum(StockMovement.reserved)
    rows = session.execute(
        sa.select(StockMovement.item_id, held)
        .where(StockMovement.need_id == need.id)
        .group_by(StockMovement.item_id)
        .having(held > 0)
    ).all()
    ordered = sorted(rows, key=lambda row: (row[0] != need.item_id, row[0]))
    return {session.get_one(Item, item_id): int(count) for item_id, count in ordered}


def _states(session: Session, needs: Sequence[Need]) -> list[NeedState]:
    if not needs:
        return []
    sums = _sums(session, [need.id for need in needs])
    on_order = _on_order(session, [need.id for need in needs])
    counted = is_counted(session, {need.item_id for need in needs})
    states = []
    for need in needs:
        mine = sums[need.id]
        coming = tuple(on_order.get(need.id, ()))
        is_known = need.item_id in counted
        left = need.quantity - mine.out - mine.reserved - sum(one.quantity for one in coming)
        if need.ended_at is not None or (not need.keyed_at and not is_known and _is_there_uncounted(need.item)):
            left = 0
        states.append(NeedState(need, mine.reserved, mine.out, coming, max(0, left), is_known or mine != _Sums()))
    return states


def _on_order(session: Session, need_ids: Sequence[int]) -> Mapping[int, list[Coming]]:
    """Need → what orders that were sent still bring for it."""
    found: dict[int, list[Coming]] = defaultdict(list)
    left = PurchaseShare.quantity - PurchaseShare.arrived
    day = sa.func.coalesce(PurchaseLine.expected_on, PurchaseOrder.expected_on)
    for start in range(0, len(need_ids), 5_000):
        rows = (
            sa.select(PurchaseShare.need_id, PurchaseLine.id, left, day)
            .join(PurchaseLine, PurchaseLine.id == PurchaseShare.line_id)
            .join(PurchaseOrder, PurchaseOrder.id == PurchaseLine.order_id)
            .where(
                PurchaseShare.need_id.in_(need_ids[start : start + 5_000]), PurchaseOrder.state.in_(OPEN), left > 0
            )
            .order_by(PurchaseShare.id)
        )
        for need_id, line_id, count, on in session.execute(rows):
            found[need_id].append(Coming(line_id, count, on or NO_DAY))
    return found


def _is_there_uncounted(item: Item) -> bool:
    """Whether an item that nobody counts counts as being there: what is no cylinder, and cylinders that the catalog
    calls stocked.
    """
    return item.is_stocked or not item.cylinder_type
