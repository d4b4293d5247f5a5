"""Open quotes and orders that a rise of prices or costs touches, and what the house would lose by each.

A quote holds its prices until its last day, and an accepted job for good: what rises meanwhile is the house's loss.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError
from app.ledger.catalog.item_prices import ListedPrice
from app.ledger.importing.price_list_rows import ListChange, ListState
from app.ledger.jobs.queries import newest_revision
from app.ledger.quoting.changing_rates import line_rises
from app.ledger.quoting.quoting import lines_at, resolver_on
from app.ledger.quoting.request import QuoteRequest
from app.ledger.quoting.resolving import Resolver
from app.ledger.quoting.snapshot import QuoteSnapshot, SnapshotLine, as_accepted, read_snapshot
from app.ledger.tables import (
    Customer,
    ItemPrice,
    Job,
    JobLine,
    LineKind,
    OrderState,
    PriceBookRow,
    PriceRuleRow,
    PurchaseLine,
    PurchaseOrder,
    QuoteRevision,
    Stage,
)

_BOUGHT = (LineKind.CYLINDER.value, LineKind.PART.value, LineKind.HARDWARE.value)
_COMING = 4


@dataclass(frozen=True, slots=True)
class TouchedQuote:
    """A quote in hand, or an accepted one whose goods are still to be ordered. Cents are before tax.

    until: the last day of the quote, or the day promised. price_cents: how much more the same lines would be sold
    for; 0 of an accepted one, whose price is agreed. cost_cents: how much more its goods cost. gone: the numbers
    on it that the maker lists no longer.
    """

    number: int
    revision: int
    customer_name: str
    title: str
    stage: Stage
    until: date | None
    value_cents: int
    price_cents: int
    cost_cents: int
    gone: tuple[str, ...] = ()

    @property
    def quote(self) -> str:
        """The quote's number, as its address has it."""
        return f"{self.number}-{self.revision}"


def touched_by_rises(session: Session, today: date, on: date) -> tuple[TouchedQuote, ...]:
    """Those that the prices and costs of a day touch, what loses most first."""
    found: list[TouchedQuote] = []
    for tier, rows in _open(session, today).items():
        quotes = [as_accepted(read_snapshot(row.snapshot), row.option) for row in rows]
        # Whose it is now: a customer may have been merged since.
        asks = [
            replace(QuoteRequest.from_json(quote.ask), customer_id=row.customer_id)
            for row, quote in zip(rows, quotes, strict=True)
        ]
        resolver = resolver_on(session, asks, on, tier)
        for row, quote, ask in zip(rows, quotes, asks, strict=True):
            price, cost = _rise(session, resolver, quote, ask)
            found += _touched(row, quote, price, cost)
    return tuple(sorted(found, key=lambda one: (-max(one.price_cents, one.cost_cents), one.number)))


def touched_by_list(
    session: Session, today: date, on: date, maker_code: str, taken: Sequence[ListChange]
) -> tuple[TouchedQuote, ...]:
    """Those that what is taken of a maker's list touches, what loses most first: what its goods would cost more from
    a day on, and sell for more, by this list alone, and which of them it names no longer.
    """
    gone = {one.code for one in taken if one.state is ListState.GONE}
    proposed = listed_anew(taken)
    codes = {one.code for one in taken}
    found: list[TouchedQuote] = []
    for tier, every in _open(session, today).items():
        both = [(row, as_accepted(read_snapshot(row.snapshot), row.option)) for row in every]
        both = [(row, quote) for row, quote in both if any(line.part_number in codes for line in quote.lines)]
        asks = [replace(QuoteRequest.from_json(quote.ask), customer_id=row.customer_id) for row, quote in both]
        before, after = (resolver_on(session, asks, on, tier, proposed=prices) for prices in (None, proposed))
        for (row, quote), ask in zip(both, asks, strict=True):
            missing = tuple(
                line.part_number
                for line in quote.lines
                if line.part_number in gone
                and not line.is_part
                and ask.lines[int(line.label) - 1].maker_code in ("", maker_code)
            )
            try:
                was, now = (lines_at(session, resolver, ask, quote.keying) for resolver in (before, after))
            except BitternError:  # such as a price that is on record no more
                was = now = []
            cost = sum(line.cost_cents for line in now) - sum(line.cost_cents for line in was)
            found += _touched(row, quote, sum(one.more_cents for one in line_rises(was, now)), cost, missing)
    return tuple(sorted(found, key=lambda one: (-one.cost_cents, -one.price_cents, one.number)))


def listed_anew(taken: Sequence[ListChange]) -> dict[int, ListedPrice]:
    """The prices and costs, by item, that what is taken of a list gives to items on record."""
    return {one.item_id: one.after for one in taken if one.item_id is not None and one.state is not ListState.GONE}


def _touched(
    row: Any, quote: QuoteSnapshot, price: int, cost: int, gone: tuple[str, ...] = ()
) -> Iterator[TouchedQuote]:
    """The quote, where it costs or brings more, or lacks goods; what was accepted brings what was agreed."""
    is_open = row.stage is Stage.QUOTED
    price = max(price, 0) if is_open else 0
    if price or cost > 0 or gone:
        until = row.valid_until if is_open else row.promised_on
        named = (row.number, row.revision, row.customer, row.title, row.stage, until)
        yield TouchedQuote(*named, quote.totals.subtotal_cents, price, max(cost, 0), gone)


@dataclass(frozen=True, slots=True)
class TouchedOrder:
    """An order that the maker has not confirmed, so that it may charge its new prices. Cents in all."""

    order_id: int
    number: str
    sent_at: datetime | None
    cost_cents: int
    more_cents: int


def orders_touched(session: Session, maker_id: int, proposed: Mapping[int, ListedPrice]) -> tuple[TouchedOrder, ...]:
    """Sent orders of a maker, not confirmed yet, that would come to more at its new costs."""
    rows = session.execute(
        sa.select(PurchaseOrder.id, PurchaseOrder.number, PurchaseOrder.sent_at, PurchaseLine)
        .join(PurchaseLine, PurchaseLine.order_id == PurchaseOrder.id)
        .where(PurchaseOrder.maker_id == maker_id, PurchaseOrder.state == OrderState.SENT)
        .order_by(PurchaseOrder.number, PurchaseLine.number)
    )
    sums: dict[int, TouchedOrder] = {}
    for order_id, number, sent_at, line in rows:
        held = sums.get(order_id) or TouchedOrder(order_id, number, sent_at, 0, 0)
        pieces = line.quantity - line.canceled
        each = proposed[line.item_id].cost_cents - line.unit_cents if line.item_id in proposed else 0
        sums[order_id] = replace(
            held, cost_cents=held.cost_cents + pieces * line.unit_cents, more_cents=held.more_cents + pieces * each
        )
    return tuple(one for one in sums.values() if one.more_cents > 0)


def _open(session: Session, today: date) -> dict[str, list[sa.Row[tuple[object, ...]]]]:
    """Customer's tier → the newest revisions of quotes that still hold, and of accepted jobs with goods to order."""
    buys = sa.exists().where(JobLine.job_id == Job.id, JobLine.kind.in_(_BOUGHT))
    rows = session.execute(
        sa.select(
            Job.number,
            Job.customer_id,
            QuoteRevision.revision,
            Customer.name.label("customer"),
            Customer.tier,
            Job.title,
            Job.stage,
            QuoteRevision.valid_until,
            Job.promised_on,
            Job.accepted_option.label("option"),
            QuoteRevision.snapshot,
        )
        .join(Job, Job.id == QuoteRevision.job_id)
        .join(Customer, Customer.id == Job.customer_id)
        .where(
            QuoteRevision.revision == newest_revision(),
            sa.or_(
                sa.and_(Job.stage == Stage.QUOTED, QuoteRevision.valid_until >= today),
                sa.and_(Job.stage == Stage.APPROVED, buys),
            ),
        )
        .order_by(Job.number)
    )
    by_tier: dict[str, list[sa.Row[tuple[object, ...]]]] = defaultdict(list)
    for row in rows:
        by_tier[row.tier].append(row)  # type: ignore[arg-type]  # a row of these very columns
    return by_tier


def _rise(session: Session, resolver: Resolver, quote: QuoteSnapshot, ask: QuoteRequest) -> tuple[int, int]:
    """How much more the lines would be sold for, and how much more their goods cost; prices that went down count
    against it. Lines that have no price any more stay as they were.
    """
    try:
        lines = lines_at(session, resolver, ask, quote.keying)
    except BitternError:
        return 0, 0
    price = sum(one.more_cents for one in line_rises(quote.lines, lines) if one.label in _labels(quote.lines))
    now = {line.label: line.cost_cents for line in lines if not line.is_part}
    then = sum(line.cost_cents for line in quote.lines if line.label in now)
    return price, sum(now.values()) - (then - _keying_in_lines(quote))


def _labels(lines: Sequence[SnapshotLine]) -> set[str]:
    return {line.label for line in lines}


def _keying_in_lines(quote: QuoteSnapshot) -> int:
    """What keying costs the house that charges nothing for it: it stands on the lines of the cylinders themselves."""
    keying = sum(_cost_of_keying(quote))
    return max(0, keying - sum(line.cost_cents for line in quote.lines if line.kind == "keying"))


def _cost_of_keying(quote: QuoteSnapshot) -> Iterator[int]:
    for choice in quote.keying:
        yield next((way.total_cents for way in choice.ways if way.name == choice.way), 0) - choice.small_order_cents


def coming_days(session: Session, today: date) -> tuple[date, ...]:
    """The next days on which a price or a price rule that is on record begins."""
    days: set[date] = set()
    for table in (PriceBookRow, PriceRuleRow, ItemPrice):
        rows = sa.select(table.valid_from).where(table.valid_from > today).distinct()
        days |= set(session.scalars(rows.order_by(table.valid_from).limit(_COMING)))
    return tuple(sorted(days)[:_COMING])
