"""The price book as its owner reads it, a line a price, and as a table; and what prices would change."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.catalog.price_editing import name_priced, put_price
from app.ledger.catalog.price_queries import (
    COMING,
    NOW,
    guard,
    least_margin,
    margin_percent,
    place_in_time,
    price_of,
    priced_things,
    thing_of,
)
from app.ledger.store.engine import rows_by_id, transaction
from app.ledger.store.errors import NotFound
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Item, ItemKind, PriceBookRow
from app.pricing import PriceRow
from app.validation import counted

COLUMNS = (
    *("code", "description", "category", "kind", "price", "cost"),
    *("tier", "quantity from", "valid from", "valid until"),
)


@dataclass(frozen=True, slots=True)
class BookLine:
    """One thing at one tier and quantity: the row that holds now (None: not yet, or ended), those to come, the
    newest first, and those that have been, the newest first."""

    code: str
    tier: str
    quantity_from: int
    now: PriceBookRow | None
    coming: tuple[PriceBookRow, ...]
    past: tuple[PriceBookRow, ...]
    least: Decimal  # the house's least margin in percent

    @property
    def latest(self) -> PriceBookRow:
        """The row to show for the whole line."""
        return self.now or (self.coming or self.past)[0]

    @property
    def margin(self) -> Decimal | None:
        """Percent left after cost of the row to show."""
        return margin_percent(self.latest.unit_cents, self.latest.cost_cents)

    @property
    def guard(self) -> str:
        """Why the owner should look again; "" when nothing is amiss."""
        return guard(self.latest.unit_cents, self.latest.cost_cents, self.least)


def _lines(rows: Sequence[PriceBookRow], today: date, least: Decimal) -> list[BookLine]:
    by_line: dict[tuple[str, str, int], list[tuple[PriceBookRow, str]]] = {}
    for row, state in place_in_time(rows, today, lambda row: (row.code, row.tier, row.quantity_from)):
        by_line.setdefault((row.code, row.tier, row.quantity_from), []).append((row, state))
    lines = []
    for (code, tier, quantity), found in by_line.items():
        found.sort(key=lambda each: each[0].valid_from, reverse=True)
        now = next((row for row, state in found if state == NOW), None)
        coming = tuple(row for row, state in found if state == COMING)
        past = tuple(row for row, state in found if state not in (NOW, COMING))
        lines.append(BookLine(code, tier, quantity, now, coming, past, least))
    return lines


def code_lines(session: Session, code: str, today: date) -> tuple[BookLine, ...]:
    """Every price on record of one code, by tier and quantity."""
    rows = session.scalars(sa.select(PriceBookRow).where(PriceBookRow.code == code).order_by(PriceBookRow.id)).all()
    return tuple(sorted(_lines(rows, today, least_margin(session)), key=lambda line: (line.tier, line.quantity_from)))


def priced_item(session: Session, code: str) -> Item:
    """The item that a code's prices are of; NotFound where there is none any more."""
    items = sa.select(Item).where(Item.code == code, Item.kind.not_in((ItemKind.PIN, ItemKind.UNPINNED)))
    found = session.scalar(items.order_by(Item.maker_id.is_not(None), Item.id).limit(1))
    if found is None:
        raise NotFound("item")
    return found


def ruled_categories(session: Session) -> Sequence[str]:
    """The categories that a price rule may name, the makers' lists' and the house's own, by name."""
    named = sa.select(Item.category).where(Item.category != "").distinct()
    return session.scalars(named.order_by(Item.category)).all()


def export_rows(session: Session) -> Iterator[list[str]]:
    """The whole book as a table of text, its head first; reading it back changes nothing."""
    yield list(COLUMNS)
    named = priced_things(session)
    order = (PriceBookRow.code, PriceBookRow.tier, PriceBookRow.quantity_from, PriceBookRow.valid_from)
    rows = session.scalars(sa.select(PriceBookRow).order_by(*order))
    for row in sorted(rows, key=lambda one: thing_of(named, one.code).category):
        thing = thing_of(named, row.code)
        yield [
            row.code,
            thing.description,
            thing.category,
            thing.kind.word,
            f"{row.unit_cents // 100}.{row.unit_cents % 100:02d}",
            f"{row.cost_cents // 100}.{row.cost_cents % 100:02d}",
            row.tier,
            str(row.quantity_from),
            row.valid_from.isoformat(),
            row.valid_until.isoformat() if row.valid_until else "",
        ]


@dataclass(frozen=True, slots=True)
class PriceChange:
    """What a price changes. `before` is (price, cost) in cents of what holds on its first day without it, None where
    nothing does; `row_id`: of the row of that very day that it replaces."""

    price: PriceRow
    before: tuple[int, int] | None
    row_id: int | None
    least: Decimal  # the house's least margin in percent
    loses_end: bool = False  # the price of that day had a last day, and would have none

    @property
    def guard(self) -> str:
        """Why the owner should look again; "" when the margin is wide enough."""
        return guard(self.price.unit_cents, self.price.cost_cents, self.least)


def price_changes(
    session: Session, prices: Sequence[PriceRow], *, says_ends: bool = True
) -> list[PriceChange | None]:
    """What each of these prices would change, None where the book has it so; nothing is saved.

    says_ends: whether a price without a last day has none; else the end of what it replaces stays.
    """
    on_record: dict[tuple[str, str, int], list[PriceBookRow]] = {}
    for row in session.scalars(sa.select(PriceBookRow)):
        on_record.setdefault((row.code, row.tier, row.quantity_from), []).append(row)
    changes: list[PriceChange | None] = []
    least, named = least_margin(session), priced_things(session, frozenset(price.code for price in prices))
    for price in prices:
        known = on_record.get((price.code, price.tier or "", price.quantity_from), [])
        same_day = next((row for row in known if row.valid_from == price.valid_from), None)
        if same_day is not None and not says_ends:
            price = replace(price, valid_until=same_day.valid_until)
        thing = named.get(price.code)
        if thing is not None and not thing.is_own:  # a maker's list says what its part number is
            price = replace(price, description=thing.description, category=thing.category, kind=thing.kind)
        if same_day is not None and thing is not None and price_of(same_day, thing) == price:
            changes.append(None)
            continue
        holding = [
            row
            for row in known
            if row.valid_from <= price.valid_from and (row.valid_until is None or price.valid_from <= row.valid_until)
        ]
        latest = max(holding, key=lambda row: row.valid_from, default=None)
        before = (latest.unit_cents, latest.cost_cents) if latest else None
        loses_end = same_day is not None and same_day.valid_until is not None and price.valid_until is None
        changes.append(PriceChange(price, before, same_day.id if same_day else None, least, loses_end))
    return changes


def put_prices(work: Work, changes: Sequence[PriceChange]) -> None:
    """Put on record what `price_changes` found, all of it; owner only."""
    work.require_owner()
    with transaction(work.session):
        known = rows_by_id(work.session, PriceBookRow, [one.row_id for one in changes if one.row_id is not None])
        for change in changes:
            put_price(work.session, known[change.row_id] if change.row_id else None, change.price)
        name_priced(work.session, [change.price for change in changes])
        said = f"{counted(len(changes), 'price')} new or changed, from a table"
        record(work, "prices set", "price book", said, changes=[_told(change) for change in changes])


def _told(change: PriceChange) -> list[Any]:
    row = change.price
    after = [row.unit_cents, row.cost_cents]
    before = list(change.before) if change.before else None
    until = [row.valid_until.isoformat()] if row.valid_until else []
    return [row.code, row.tier or "", row.quantity_from, row.valid_from.isoformat(), before, after, *until]
