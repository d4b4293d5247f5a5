"""Questions about orders to makers: the list, one with what it does to its jobs, and what a job's parts came to."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from fractions import Fraction
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload, selectinload

from app.ledger.goods.order_lines import good_of, to_come
from app.ledger.quoting.promises import promise_again
from app.ledger.stock.on_order import OPEN, came
from app.ledger.store.engine import Page, page_of
from app.ledger.store.errors import NotFound
from app.ledger.store.work import Work
from app.ledger.tables import (
    LATE_STAGES,
    Customer,
    Delivery,
    DeliveryLine,
    Item,
    Job,
    Maker,
    Need,
    OrderState,
    PurchaseLine,
    PurchaseOrder,
    PurchaseShare,
    SoldLine,
)
from app.pricing import half_up

PAGE = 50


class WhichOrders(StrEnum):
    """Which orders a list shows."""

    OPEN = "open"
    LATE = "late"
    DRAFT = "not sent"
    ALL = "all"


def find_order(session: Session, order_id: int) -> PurchaseOrder:
    """An order with all that belongs to it; NotFound when there is none."""
    order = session.scalar(
        sa.select(PurchaseOrder)
        .where(PurchaseOrder.id == order_id)
        .options(
            joinedload(PurchaseOrder.maker),
            selectinload(PurchaseOrder.lines).options(
                joinedload(PurchaseLine.item).joinedload(Item.maker),
                selectinload(PurchaseLine.received),
                selectinload(PurchaseLine.shares).joinedload(PurchaseShare.need),
            ),
        )
    )
    if order is None:
        raise NotFound("order")
    return order


def _late(today: date) -> sa.ColumnElement[bool]:
    """Orders with a line whose day is over and that is still to come."""
    return sa.and_(
        PurchaseOrder.state.in_(OPEN),
        sa.exists().where(
            PurchaseLine.order_id == PurchaseOrder.id,
            PurchaseLine.expected_on < today,
            PurchaseLine.quantity - PurchaseLine.canceled > came(),
        ),
    )


def list_orders(
    session: Session, today: date, which: WhichOrders = WhichOrders.OPEN, text: str = "", page: int = 1
) -> Page[PurchaseOrder]:
    """A page of orders: those open by the day on which they are expected, others the newest first.

    text: in the order's number, the maker's number of it, the maker's name, or a part number on it.
    """
    rows = sa.select(PurchaseOrder).join(Maker, Maker.id == PurchaseOrder.maker_id)
    if which is WhichOrders.OPEN:
        rows = rows.where(PurchaseOrder.state.in_(OPEN))
    elif which is WhichOrders.LATE:
        rows = rows.where(_late(today))
    elif which is WhichOrders.DRAFT:
        rows = rows.where(PurchaseOrder.state == OrderState.DRAFT)
    if text:
        part = sa.exists().where(
            PurchaseLine.order_id == PurchaseOrder.id,
            PurchaseLine.item_id == Item.id,
            Item.code.icontains(text, autoescape=True),
        )
        columns = (PurchaseOrder.number, PurchaseOrder.maker_number, Maker.name)
        rows = rows.where(sa.or_(part, *(column.icontains(text, autoescape=True) for column in columns)))
    first = sa.func.coalesce(PurchaseOrder.expected_on, date.max)
    by_day = which in (WhichOrders.OPEN, WhichOrders.LATE)
    order = (first, PurchaseOrder.id) if by_day else (PurchaseOrder.id.desc(),)
    loaded = (joinedload(PurchaseOrder.maker), joinedload(PurchaseOrder.job), selectinload(PurchaseOrder.lines))
    received = selectinload(PurchaseOrder.lines).selectinload(PurchaseLine.received)
    return page_of(session, rows.options(*loaded, received).order_by(*order), page, PAGE)


def count_orders(session: Session, today: date) -> Mapping[WhichOrders, int]:
    """How many are open, late and not sent."""
    counts = {}
    for which, condition in (
        (WhichOrders.OPEN, PurchaseOrder.state.in_(OPEN)),
        (WhichOrders.LATE, _late(today)),
        (WhichOrders.DRAFT, PurchaseOrder.state == OrderState.DRAFT),
    ):
        counts[which] = session.scalar(sa.select(sa.func.count()).select_from(PurchaseOrder).where(condition)) or 0
    return counts


@dataclass(frozen=True, slots=True)
class LateLine:
    """A line whose day is over. days: for how many."""

    order: PurchaseOrder
    line: PurchaseLine
    days: int


def late_lines(session: Session, today: date) -> Sequence[LateLine]:
    """What is late, from whom, and since when: the longest first."""
    rows = session.execute(
        sa.select(PurchaseLine, PurchaseOrder)
        .join(PurchaseOrder, PurchaseOrder.id == PurchaseLine.order_id)
        .where(
            PurchaseOrder.state.in_(OPEN),
            PurchaseLine.expected_on < today,
            PurchaseLine.quantity - PurchaseLine.canceled > came(),
        )
        .options(joinedload(PurchaseLine.item), selectinload(PurchaseLine.received), joinedload(PurchaseOrder.maker))
        .order_by(PurchaseLine.expected_on, PurchaseLine.id)
    )
    return [LateLine(order, line, (today - line.expected_on).days) for line, order in rows if line.expected_on]


def deliveries_since(session: Session, first: date, limit: int = 50) -> Sequence[Delivery]:
    """What came in since a day, the newest first."""
    rows = (
        sa.select(Delivery)
        .options(
            joinedload(Delivery.order).joinedload(PurchaseOrder.maker),
            selectinload(Delivery.lines).joinedload(DeliveryLine.item),
        )
        .order_by(Delivery.id.desc())
        .limit(limit)
    )
    return [one for one in session.scalars(rows) if one.at.astimezone().date() >= first]


@dataclass(frozen=True, slots=True)
class OrderedFor:
    """A job that waits for something of an order, and what the order does to it.

    ready_on: when it can be ready as things stand; None where nobody can say. quoted_cents and now_cents: the margin
    of the job as it was quoted, and with the prices as ordered or confirmed.
    """

    job: Job
    customer_name: str
    pieces: int
    left: int
    ready_on: date | None
    quoted_cents: int
    now_cents: int

    @property
    def can_be_earlier(self) -> bool:
        """Whether an earlier day than the promised one could be promised."""
        promised = self.job.promised_on
        return (
            self.job.stage in LATE_STAGES
            and promised is not None
            and self.ready_on is not None
            and self.ready_on < promised
        )

    @property
    def is_too_late(self) -> bool:
        """Whether it cannot be ready on the day that was promised."""
        promised = self.job.promised_on
        return promised is not None and self.ready_on is not None and self.ready_on > promised


def jobs_on(work: Work, order: PurchaseOrder) -> Sequence[OrderedFor]:
    """The jobs that an order is for, by number."""
    pieces: dict[int, list[int]] = defaultdict(lambda: [0, 0])
    for line in order.lines:
        for share in line.shares:
            pieces[share.need.job_id][0] += share.quantity
            pieces[share.need.job_id][1] += share.quantity - share.arrived
    rows = sa.select(Job, Customer.name).join(Customer).where(Job.id.in_(sorted(pieces))).order_by(Job.number)
    costs = ordered_costs(work.session, list(pieces))
    return [
        OrderedFor(
            job,
            name,
            pieces[job.id][0],
            pieces[job.id][1],
            promise_again(work, job) if job.stage in LATE_STAGES else None,
            job.value_cents - job.cost_cents,
            job.value_cents - job.cost_cents - costs[job.id].more_cents,
        )
        for job, name in work.session.execute(rows)
    ]


@dataclass(frozen=True, slots=True)
class OrderedCost:
    """What a job's ordered parts cost. cents: as ordered, or confirmed by the maker; quoted_cents: what the quote
    reckoned for the same pieces.
    """

    cents: int = 0
    quoted_cents: int = 0

    @property
    def more_cents(self) -> int:
        """By how much they cost more than was reckoned; below zero: less."""
        return self.cents - self.quoted_cents


def ordered_costs(session: Session, job_ids: Collection[int]) -> Mapping[int, OrderedCost]:
    """What the parts of jobs cost as ordered, beside what their quotes reckoned for them; every job that is asked for
    is named. Orders that were sent count.
    """
    asked = sorted(job_ids)
    quoted = _quoted_each(session, asked)
    sums: dict[int, list[int]] = {job_id: [0, 0] for job_id in asked}
    for row in session.execute(_share_rows(asked)):
        each = row.unit_cents if row.confirmed_cents is None else row.confirmed_cents
        as_quoted = quoted.get((row.job_id, row.line_number, row.code))
        sums[row.job_id][0] += row.quantity * each
        sums[row.job_id][1] += (
            row.quantity * row.unit_cents if as_quoted is None else half_up(row.quantity * as_quoted)
        )
    charged = sa.select(PurchaseOrder).where(
        PurchaseOrder.job_id.in_(asked), PurchaseOrder.state.in_((*OPEN, OrderState.CLOSED))
    )
    for order in session.scalars(charged.order_by(PurchaseOrder.id)):
        confirmed = order.confirmed_charges_cents
        sums[order.job_id or 0][0] += order.charges_cents if confirmed is None else confirmed
        sums[order.job_id or 0][1] += order.charges_cents
    return {job_id: OrderedCost(*both) for job_id, both in sums.items()}


def _share_rows(job_ids: Sequence[int]) -> sa.Select[*tuple[Any, ...]]:
    return (
        sa.select(
            Need.job_id,
            Need.line_number,
            Item.code,
            PurchaseShare.quantity,
            PurchaseLine.unit_cents,
            PurchaseLine.confirmed_cents,
        )
        .join(PurchaseShare, PurchaseShare.need_id == Need.id)
        .join(PurchaseLine, PurchaseLine.id == PurchaseShare.line_id)
        .join(PurchaseOrder, PurchaseOrder.id == PurchaseLine.order_id)
        .join(Item, Item.id == PurchaseLine.item_id)
        .where(Need.job_id.in_(job_ids), PurchaseOrder.state.in_((*OPEN, OrderState.CLOSED)))
        .order_by(PurchaseShare.id)
    )


def _quoted_each(session: Session, job_ids: Sequence[int]) -> Mapping[tuple[int, int | None, str], Fraction]:
    """Job, line and part number → what the quote reckoned for one piece."""
    rows = sa.select(SoldLine).where(SoldLine.job_id.in_(job_ids), SoldLine.quantity > 0).order_by(SoldLine.id)
    return {
        (one.job_id, int(one.label), one.part_number): Fraction(one.cost_cents, one.quantity)
        for one in session.scalars(rows)
        if one.label.isdigit()
    }


def orders_of_job(session: Session, job_id: int) -> Sequence[PurchaseOrder]:
    """The orders that bring something for a job, the newest first."""
    shares = (
        sa.select(PurchaseLine.order_id)
        .join(PurchaseShare, PurchaseShare.line_id == PurchaseLine.id)
        .join(Need, Need.id == PurchaseShare.need_id)
        .where(Need.job_id == job_id)
    )
    rows = sa.select(PurchaseOrder).where(sa.or_(PurchaseOrder.job_id == job_id, PurchaseOrder.id.in_(shares)))
    loaded = (joinedload(PurchaseOrder.maker), selectinload(PurchaseOrder.lines).selectinload(PurchaseLine.received))
    return session.scalars(rows.options(*loaded).order_by(PurchaseOrder.id.desc())).all()


def keying_order(session: Session, job_id: int, maker_name: str) -> PurchaseOrder | None:
    """The newest order to a maker's factory for a job that was not canceled; None where there is none."""
    rows = (
        sa.select(PurchaseOrder)
        .join(Maker, Maker.id == PurchaseOrder.maker_id)
        .where(
            PurchaseOrder.job_id == job_id,
            Maker.name == maker_name,
            PurchaseOrder.state != OrderState.CANCELED,
        )
    )
    return session.scalar(rows.order_by(PurchaseOrder.id.desc()).limit(1))


def received_cents(order: PurchaseOrder) -> int:
    """What is owed to the maker for the good pieces that came."""
    return sum(
        good_of(line) * (line.unit_cents if line.confirmed_cents is None else line.confirmed_cents)
        for line in order.lines
    )


def pieces_to_come(order: PurchaseOrder) -> int:
    """How many pieces of an order are still to come."""
    return sum(to_come(line) for line in order.lines)
