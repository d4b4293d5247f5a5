"""What to order today, by maker: what jobs need and the shelf lacks, in whole packs, and by which day."""

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.catalog.maker_queries import factory_terms_on
from app.ledger.catalog.price_queries import entered_bench_terms
from app.ledger.stock.free_stock import days_to_come
from app.ledger.stock.needs import open_needs
from app.ledger.stock.on_order import OPEN, came, shared
from app.ledger.store.engine import in_steps, read
from app.ledger.store.work import Work
from app.ledger.tables import (
    Customer,
    Item,
    Job,
    Maker,
    OrderKind,
    OrderState,
    PurchaseLine,
    PurchaseOrder,
    PurchaseShare,
    StockMovement,
)
from app.pricing import BenchTerms, Lot, LotRules, arrival, is_over, missing_to, order_by, plan_lots, shelf_wants

FACTORY = "factory"


@dataclass(frozen=True, slots=True)
class WantedByJob:
    """So many of an item for a job's need that nobody ordered yet."""

    need_id: int
    item_id: int
    job_id: int
    job_number: int
    customer_name: str
    quantity: int
    needed_on: date | None


@dataclass(frozen=True)
class ItemToOrder:
    """One item to order. free: on the shelf for nobody; coming: on its way for nobody; is_extra: not needed yet, but
    it could fill the order to the maker's minimum; is_late: ordered today it comes after the day it is needed.
    """

    item: Item
    wanted: tuple[WantedByJob, ...]
    for_shelf: int
    free: int
    coming: int
    lead_days: int | None
    lots: tuple[Lot, ...]
    is_extra: bool = False
    is_late: bool = False

    @property
    def quantity(self) -> int:
        """How many to order, in whole packs."""
        return sum(lot.quantity for lot in self.lots)

    @property
    def cents(self) -> int:
        """What they cost."""
        return self.quantity * self.item.cost_cents

    @property
    def needed_on(self) -> date:
        """The first day on which some are needed."""
        return self.lots[0].needed_on

    @property
    def order_by(self) -> date:
        """The day by which to order, so that they are there in time."""
        return self.lots[0].order_by

    @cached_property
    def mark(self) -> str:
        """Tells whether what is to order of it is still what a page showed."""
        said = repr((self.item.id, [(one.need_id, one.quantity) for one in self.wanted]))
        return hashlib.sha256(said.encode()).hexdigest()[:12]


@dataclass(frozen=True)
class KeyingToOrder:
    """Cylinders of a job that the maker's factory keys: an order of their own, with the keying schedule."""

    job: Job
    wanted: tuple[WantedByJob, ...]
    needed_on: date | None
    order_by: date | None
    cents: int
    is_late: bool

    @property
    def quantity(self) -> int:
        """How many cylinders and other pieces."""
        return sum(one.quantity for one in self.wanted)


@dataclass(frozen=True)
class MakerToOrder:
    """What to order from one maker; maker None: goods of nobody's catalog, so somebody says from whom.

    draft: the order to it that is not sent yet, to which what is chosen is added.
    """

    maker: Maker | None
    items: tuple[ItemToOrder, ...]
    extras: tuple[ItemToOrder, ...]
    keying: tuple[KeyingToOrder, ...]
    draft: PurchaseOrder | None
    draft_cents: int

    @property
    def key(self) -> str:
        """Names it among the boxes of a page."""
        return str(self.maker.id) if self.maker else "0"

    @property
    def cents(self) -> int:
        """What all that is to order of goods costs, with what stands in the draft."""
        return self.draft_cents + sum(one.cents for one in self.items)

    @property
    def lines(self) -> int:
        """How many items and keying orders there are."""
        return len(self.items) + len(self.keying)

    @property
    def order_by(self) -> date | None:
        """The first day by which something of it is to be ordered; None where nobody can say."""
        keying = [one.order_by for one in self.keying if one.order_by is not None]
        return min([*(one.order_by for one in self.items), *keying], default=None)

    @property
    def is_late(self) -> bool:
        """Whether something of it is too late already."""
        return any(one.is_late for one in self.items) or any(one.is_late for one in self.keying)

    @property
    def missing_cents(self) -> int:
        """What that lacks to the maker's minimum."""
        return missing_to(self.maker.minimum_cents if self.maker else 0, [self.cents])


def what_to_order(work: Work, extras: bool = True) -> tuple[MakerToOrder, ...]:
    """Everything to order, a maker each, by name; goods of no maker last. extras: what could fill up an order."""
    session = work.session
    wanted, keyed, items = _wants(session)
    positions = _positions(session, items)
    terms = entered_bench_terms(session, work.today)
    found: dict[int | None, list[ItemToOrder]] = defaultdict(list)
    known = items | {one.id: one for one in _items(session, [one for one in positions if one not in items])}
    makers = {maker.id: maker for maker in session.scalars(sa.select(Maker).order_by(Maker.name))}
    for item_id, item in known.items():
        made = _item(item, wanted.get(item_id, ()), positions.get(item_id, (0, 0)), makers, terms, work.today)
        if made is not None:
            found[item.maker_id].append(made)
    keying = _keying(work, keyed, items, terms.closed_days if terms is not None else frozenset())
    drafts = _drafts(session)
    groups = []
    for maker_id in sorted(
        {*found, *(one or None for one in keying)}, key=lambda one: (one is None, makers[one].name if one else "")
    ):
        maker = makers[maker_id] if maker_id is not None else None
        draft, draft_cents = drafts.get(maker_id or 0, (None, 0))
        rows = sorted(found[maker_id], key=lambda one: (one.order_by, one.item.code))
        group = MakerToOrder(maker, tuple(rows), (), tuple(keying.get(maker_id or 0, ())), draft, draft_cents)
        if extras and group.missing_cents and maker is not None:
            more = _extras(work, maker, {one.item.id for one in rows}, terms)
            group = MakerToOrder(maker, group.items, more, group.keying, draft, draft_cents)
        groups.append(group)
    return tuple(groups)


_Keyed = Mapping[tuple[int, int], list[WantedByJob]]  # by maker and job


def _wants(session: Session) -> tuple[Mapping[int, Sequence[WantedByJob]], _Keyed, dict[int, Item]]:
    """By item what jobs want of goods; by maker and job what a factory is to key; the items."""
    states = [state for state in open_needs(session) if state.to_order > 0]
    in_drafts = _in_drafts(session)
    items = {one.id: one for one in _items(session, {state.need.item_id for state in states})}
    jobs = _jobs(session, {state.need.job_id for state in states})
    goods: dict[int, list[WantedByJob]] = defaultdict(list)
    keyed: dict[tuple[int, int], list[WantedByJob]] = defaultdict(list)
    for state in sorted(states, key=lambda state: (state.need.needed_on or date.max, state.need.id)):
        need, left = state.need, state.to_order - in_drafts.get(state.need.id, 0)
        if left <= 0:
            continue
        job, customer = jobs[need.job_id]
        one = WantedByJob(need.id, need.item_id, job.id, job.number, customer, left, need.needed_on)
        maker_id = items[need.item_id].maker_id
        if need.keyed_at == FACTORY and maker_id is not None:
            keyed[maker_id, job.id].append(one)
        else:
            goods[need.item_id].append(one)
    return goods, keyed, items


def _in_drafts(session: Session) -> Mapping[int, int]:
    """Need → how many stand in orders that are not sent yet."""
    rows = (
        sa.select(PurchaseShare.need_id, sa.func.sum(PurchaseShare.quantity))
        .join(PurchaseLine, PurchaseLine.id == PurchaseShare.line_id)
        .join(PurchaseOrder, PurchaseOrder.id == PurchaseLine.order_id)
        .where(PurchaseOrder.state == OrderState.DRAFT)
        .group_by(PurchaseShare.need_id)
    )
    return dict(session.execute(rows).all())


def _items(session: Session, item_ids: Iterable[int]) -> list[Item]:
    found: list[Item] = []
    for some in in_steps(sorted(item_ids)):
        found += session.scalars(sa.select(Item).where(Item.id.in_(some)).order_by(Item.id))
    return found


def _jobs(session: Session, job_ids: Iterable[int]) -> dict[int, tuple[Job, str]]:
    found: dict[int, tuple[Job, str]] = {}
    for some in in_steps(sorted(job_ids)):
        rows = sa.select(Job, Customer.name).join(Customer).where(Job.id.in_(some))
        found |= {job.id: (job, name) for job, name in session.execute(rows.order_by(Job.id))}
    return found


def _positions(session: Session, items: Mapping[int, Item]) -> Mapping[int, tuple[int, int]]:
    """Item → free, and on its way for nobody: of those that are at their reorder point, and of `items`."""
    found = {row.id: (row.free, row.coming) for row in read(session, _AT_THEIR_POINT)}
    for others in in_steps(sorted(set(items) - set(found))):
        found |= {row.id: (row.free, row.coming) for row in read(session, _OF_ITEMS, {"items": others})}
    return found


def _summed() -> tuple[Any, Any]:
    """What is free of each item, and what comes for nobody: a row an item."""
    free = (
        sa.select(
            StockMovement.item_id,
            sa.cast(sa.func.sum(StockMovement.on_hand - StockMovement.reserved), sa.Integer).label("free"),
        )
        .group_by(StockMovement.item_id)
        .subquery()
    )
    coming = (
        sa.select(
            PurchaseLine.item_id,
            sa.cast(sa.func.sum(PurchaseLine.quantity - PurchaseLine.canceled - came() - shared()), sa.Integer).label(
                "coming"
            ),
        )
        .join(PurchaseOrder, PurchaseOrder.id == PurchaseLine.order_id)
        .where(
            PurchaseOrder.state.in_((*OPEN, OrderState.DRAFT)),
            PurchaseLine.quantity - PurchaseLine.canceled > came(),
        )
        .group_by(PurchaseLine.item_id)
        .subquery()
    )
    return free, coming


def _position_rows() -> tuple[sa.Select[*tuple[Any, ...]], Any]:
    free, coming = _summed()
    free_now, coming_now = sa.func.coalesce(free.c.free, 0), sa.func.coalesce(coming.c.coming, 0)
    rows = (
        sa.select(Item.id, free_now.label("free"), coming_now.label("coming"))
        .outerjoin(free, free.c.item_id == Item.id)
        .outerjoin(coming, coming.c.item_id == Item.id)
    )
    return rows, free_now + coming_now


_ROWS, _POSITION = _position_rows()
_AT_THEIR_POINT = _ROWS.where(Item.reorder_point.is_not(None), Item.reorder_point >= _POSITION)
_OF_ITEMS = _ROWS.where(Item.id.in_(sa.bindparam("items", expanding=True)))
_COULD_FILL = _ROWS.where(
    Item.maker_id == sa.bindparam("maker"),
    Item.reorder_point.is_not(None),
    Item.reorder_point < _POSITION,
    Item.reorder_to > _POSITION,
)


def _item(
    item: Item,
    wanted: Sequence[WantedByJob],
    position: tuple[int, int],
    makers: Mapping[int, Maker],
    terms: BenchTerms | None,
    today: date,
    *,
    is_extra: bool = False,
) -> ItemToOrder | None:
    free, coming = position
    if is_extra:
        for_shelf = (item.reorder_to or 0) - free - coming
    else:
        for_shelf = shelf_wants(free + coming, item.reorder_point, item.reorder_to)
    maker = makers.get(item.maker_id or 0)
    by_finish, of_maker = (maker.finish_leads, maker.lead_days) if maker else ({}, None)
    days = days_to_come(terms, item.lead_days, item.finish, by_finish, of_maker)
    closed = terms.closed_days if terms is not None else frozenset[date]()
    wants = [(max(one.needed_on or today, today), one.quantity) for one in wanted]
    if for_shelf:
        wants.append((arrival(today, days or 0, closed), for_shelf))  # as soon as it can be there
    rules = LotRules(pack=max(1, item.pack_size), lead_days=days or 0, closed=closed)
    lots = plan_lots(wants, rules)
    if not lots:
        return None
    is_late = is_over(lots[0].order_by, today, closed)
    return ItemToOrder(item, tuple(wanted), for_shelf, free, coming, days, lots, is_extra, is_late)


def _extras(work: Work, maker: Maker, shown: set[int], terms: BenchTerms | None) -> tuple[ItemToOrder, ...]:
    """Items of the maker that are on their way to their reorder point, those nearest to it first: at most twelve."""
    rows = {row.id: (row.free, row.coming) for row in read(work.session, _COULD_FILL, {"maker": maker.id})}
    items = [one for one in _items(work.session, rows) if one.id not in shown]
    items.sort(key=lambda one: (sum(rows[one.id]) - (one.reorder_point or 0), one.code))
    made = (_item(one, (), rows[one.id], {maker.id: maker}, terms, work.today, is_extra=True) for one in items[:12])
    return tuple(one for one in made if one is not None)


def _keying(
    work: Work, keyed: _Keyed, items: Mapping[int, Item], closed: frozenset[date]
) -> Mapping[int, list[KeyingToOrder]]:
    found: dict[int, list[KeyingToOrder]] = defaultdict(list)
    jobs = _jobs(work.session, {job_id for _, job_id in keyed})
    for (maker_id, job_id), wanted in keyed.items():
        terms = factory_terms_on(work.session, maker_id, work.today)
        days = [one.needed_on for one in wanted if one.needed_on]
        needed_on = min(days) if days else None
        off = closed | terms.closed_days if terms else closed
        by = order_by(needed_on, terms.lead_working_days, off) if terms and needed_on else None
        is_late = by is not None and is_over(by, work.today, off)
        cents = sum(one.quantity * items[one.item_id].cost_cents for one in wanted)
        found[maker_id].append(KeyingToOrder(jobs[job_id][0], tuple(wanted), needed_on, by, cents, is_late))
    for rows in found.values():
        rows.sort(key=lambda one: (one.order_by or date.max, one.job.number))
    return found


def _drafts(session: Session) -> Mapping[int, tuple[PurchaseOrder, int]]:
    """Maker → its order for goods that is not sent yet, the newest, and what it comes to."""
    drafts = session.scalars(
        sa.select(PurchaseOrder)
        .where(PurchaseOrder.state == OrderState.DRAFT, PurchaseOrder.kind == OrderKind.GOODS)
        .order_by(PurchaseOrder.id)
    )
    return {one.maker_id: (one, sum(line.quantity * line.unit_cents for line in one.lines)) for one in drafts.all()}
