"""Questions about stock: the list, a page at a time, an item's movements, and what a barcode reader typed."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.keying import PinSize
from app.ledger.catalog.maker_queries import spellings
from app.ledger.catalog.price_queries import entered_bench_terms
from app.ledger.stock.free_stock import days_to_come
from app.ledger.stock.items import WITH_MAKER, code_pattern
from app.ledger.stock.movements import NOTHING, Quantity, quantities
from app.ledger.stock.on_order import open_lines
from app.ledger.stock.pin_draws import unbooked_pins
from app.ledger.store.engine import Page, page_of
from app.ledger.store.vault import Vault
from app.ledger.tables import (
    Item,
    ItemKind,
    Job,
    Maker,
    MovementKind,
    PriceBookRow,
    Role,
    StockMovement,
    StockPlace,
)
from app.pricing import count_working_days, reorder_point

SIZE = 25
_WENT_OUT = (MovementKind.USED, MovementKind.SOLD)


@dataclass(frozen=True, slots=True)
class StockFilter:
    """Which items a list shows; what is left open chooses none away.

    is_unpriced: the house's own that have no price yet. is_unlisted: what a maker's list names no longer.
    place_id: those with a movement there, and what is there alone. is_below: those of which no more than the reorder
    point are free; for it the movements of every item with a reorder point are summed.
    """

    words: str = ""
    maker_id: int | None = None
    kind: ItemKind | None = None
    place_id: int | None = None
    is_below: bool = False
    is_counted: bool | None = None
    is_unpriced: bool = False
    is_unlisted: bool = False


@dataclass(frozen=True, slots=True)
class StockRow:
    """An item of the list with what is there of it."""

    item: Item
    quantity: Quantity
    on_order: int = 0

    @property
    def is_below(self) -> bool:
        """Whether no more than the reorder point are free."""
        return (
            self.quantity.is_counted
            and self.item.reorder_point is not None
            and self.quantity.free <= self.item.reorder_point
        )


def list_stock(session: Session, vault: Vault, role: Role, wanted: StockFilter, page: int = 1) -> Page[StockRow]:
    """A page of the items by their codes. Only a page's items are summed, unless `is_below` is asked for.

    Pins are for bench and owner: how their number changes tells of bittings.
    """
    # What waits for a price is filled in on one page.
    found: Page[Item] = page_of(session, _items(role, wanted), page, SIZE * 4 if wanted.is_unpriced else SIZE)
    sums = quantities(session, [item.id for item in found.rows], wanted.place_id)
    rows = with_pins(session, vault, found.rows, sums)
    coming = Counter[int]()
    for line in open_lines(session, sums):
        coming[line.item_id] += line.to_come
    listed = [StockRow(item, rows[item.id], coming[item.id]) for item in found.rows]
    return Page(listed, found.count, found.page, found.pages)


def with_pins(
    session: Session, vault: Vault, items: Sequence[Item], sums: dict[int, Quantity]
) -> dict[int, Quantity]:
    """The sums, those of pins less what was drawn and is not among movements yet."""
    specs = {item.spec_id for item in items if item.kind is ItemKind.PIN and item.spec_id is not None}
    drawn = {spec: unbooked_pins(session, vault, spec) for spec in specs}
    less = dict(sums)
    for item in items:
        if item.kind is ItemKind.PIN and item.spec_id is not None and sums[item.id].is_counted:
            gone = drawn[item.spec_id][PinSize(item.pin_kind or "", item.pin_size)]
            there = sums[item.id]
            less[item.id] = Quantity(there.on_hand - gone, there.reserved, True)
    return less


def _items(role: Role, wanted: StockFilter) -> sa.Select[Item]:
    rows = sa.select(Item).options(WITH_MAKER)
    if role is Role.COUNTER:
        rows = rows.where(Item.kind != ItemKind.PIN)
    for word in wanted.words.split():
        like = code_pattern(word)
        columns = (Item.code, Item.words, Item.bin, Item.barcode)
        rows = rows.where(sa.or_(*(column.ilike(like, escape="\\") for column in columns)))
    if wanted.maker_id is not None:
        rows = rows.where(Item.maker_id == wanted.maker_id)
    if wanted.kind is not None:
        rows = rows.where(Item.kind == wanted.kind)
    if wanted.is_counted is not None:
        rows = rows.where(Item.is_counted if wanted.is_counted else ~Item.is_counted)
    if wanted.is_unpriced:
        priced = sa.exists().where(PriceBookRow.code == Item.code)
        rows = rows.where(Item.maker_id.is_(None), Item.kind.in_((ItemKind.GOODS, ItemKind.LABOR)), ~priced)
    if wanted.is_unlisted:
        rows = rows.where(Item.unlisted_from.is_not(None))
    if wanted.place_id is not None:
        there = sa.exists().where(StockMovement.item_id == Item.id, StockMovement.place_id == wanted.place_id)
        rows = rows.where(Item.is_counted, there)
    if wanted.is_below:
        free = sa.select(sa.func.sum(StockMovement.on_hand - StockMovement.reserved))
        free = free.where(StockMovement.item_id == Item.id)
        if wanted.place_id is not None:
            free = free.where(StockMovement.place_id == wanted.place_id)
        at_or_below = free.scalar_subquery() <= Item.reorder_point
        rows = rows.where(Item.reorder_point.is_not(None), at_or_below)
    return rows.order_by(Item.code, Item.id)


@dataclass(frozen=True, slots=True)
class MovementTold:
    """A movement as an item's page tells it. job: its number."""

    movement: StockMovement
    by: str
    place: str
    job: int | None


def movements_of(session: Session, item_id: int, page: int = 1) -> Page[MovementTold]:
    """What came and went of an item, the newest first."""
    rows = (
        sa.select(StockMovement, Job.number)
        .outerjoin(Job, Job.id == StockMovement.job_id)
        .where(StockMovement.item_id == item_id)
        .options(joinedload(StockMovement.by), joinedload(StockMovement.place))
        .order_by(StockMovement.id.desc())
    )

    def take(shown: sa.Select[*tuple[Any, ...]]) -> list[MovementTold]:
        return [
            MovementTold(moved, moved.by.name if moved.by else "the house", moved.place.name, job)
            for moved, job in session.execute(shown)
        ]

    counted = sa.select(StockMovement.id).where(StockMovement.item_id == item_id)
    return page_of(session, rows, page, SIZE, take=take, counted=counted)


def by_place(session: Session, item_id: int) -> list[tuple[StockPlace, Quantity]]:
    """What is there of an item at each place, every place named."""
    rows = (
        sa.select(
            StockMovement.place_id,
            sa.cast(sa.func.sum(StockMovement.on_hand), sa.Integer),
            sa.cast(sa.func.sum(StockMovement.reserved), sa.Integer),
        )
        .where(StockMovement.item_id == item_id)
        .group_by(StockMovement.place_id)
    )
    sums = {place: Quantity(on_hand, reserved, True) for place, on_hand, reserved in session.execute(rows)}
    return [(place, sums.get(place.id, NOTHING)) for place in list_places(session)]


def maker_names(session: Session) -> Sequence[tuple[int, str]]:
    """Id and name of every maker, by name; without their tables, which are long."""
    return [(maker, name) for maker, name in session.execute(sa.select(Maker.id, Maker.name).order_by(Maker.name))]


@dataclass(frozen=True, slots=True)
class SteadyUse:
    """What of an item went out in so many working days, and how many working days an order takes."""

    used: int
    days: int
    lead_days: int

    @property
    def point(self) -> int:
        """The reorder point by it: what goes while an order is on its way."""
        return reorder_point(self.used, self.days, self.lead_days)


def steady_use(session: Session, item: Item, now: datetime) -> SteadyUse | None:
    """What went out of an item within a year, or since it was counted first; None where nothing did, or nobody knows
    how long an order takes.
    """
    mine = sa.select(sa.func.min(StockMovement.at)).where(StockMovement.item_id == item.id)
    begun, year = session.scalar(mine), now - timedelta(days=365)
    out = sa.select(sa.func.sum(StockMovement.on_hand)).where(
        StockMovement.item_id == item.id, StockMovement.kind.in_(_WENT_OUT), StockMovement.at >= year
    )
    used, today = -(session.scalar(out) or 0), now.astimezone().date()
    terms, maker = entered_bench_terms(session, today), item.maker
    by_finish, of_maker = (maker.finish_leads, maker.lead_days) if maker is not None else ({}, None)
    lead = days_to_come(terms, item.lead_days, item.finish, by_finish, of_maker)
    if used <= 0 or lead is None or begun is None:
        return None
    closed = terms.closed_days if terms is not None else frozenset[date]()
    days = count_working_days(max(begun, year).astimezone().date(), today, closed)
    return SteadyUse(int(used), max(1, days), lead)


def list_places(session: Session) -> Sequence[StockPlace]:
    """Every place, the first one first."""
    return session.scalars(sa.select(StockPlace).order_by(StockPlace.id)).all()


def scan(session: Session, role: Role, code: str) -> Sequence[Item]:
    """The items with just this code or barcode, as typed or as a reader does it, letters large or small."""
    ways = [code, *spellings(code)] if code else []
    is_it = sa.or_(Item.code.in_(ways), sa.and_(Item.barcode != "", Item.barcode.in_(ways)))
    rows = sa.select(Item).where(is_it).options(WITH_MAKER).order_by(Item.id).limit(20)
    if role is Role.COUNTER:
        rows = rows.where(Item.kind != ItemKind.PIN)
    return session.scalars(rows).all()
