"""The price book as its owner reads it, a line a price, and as a file: the whole of it, and what one would change."""

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError, Problem, Problems
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
from app.ledger.store.engine import transaction
from app.ledger.store.errors import NotFound, Stale
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Item, ItemKind, PriceBookRow, PriceTier
from app.pricing import PriceKind, PriceRow, read_cents
from app.spreadsheets import Column, read_count, read_date, read_rows, table_rows, text_up_to

COLUMNS = (
    *("code", "description", "category", "kind", "price", "cost"),
    *("tier", "quantity from", "valid from", "valid until"),
)
MOST_ROWS = 20_000
_NO_END = ""
_FIELDS = {"price": "unit_cents", "cost": "cost_cents"}


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
    """One row of the file that changes something. `before` is (price, cost) in cents of what holds on its first
    day without the file, None where nothing does; `replaces` says that a row of that very day is overwritten."""

    row: PriceRow
    before: tuple[int, int] | None
    replaces: bool
    least: Decimal  # the house's least margin in percent
    loses_end: bool = False  # the price of that day had a last day, and would have none

    @property
    def guard(self) -> str:
        """Why the owner should look again; "" when the margin is wide enough."""
        return guard(self.row.unit_cents, self.row.cost_cents, self.least)

    @property
    def margin(self) -> Any:
        """Percent left after cost."""
        return margin_percent(self.row.unit_cents, self.row.cost_cents)


@dataclass(frozen=True, slots=True)
class PricePlan:
    """What a file would change, in its own order, and how many of its rows are in the book as they stand."""

    changes: tuple[PriceChange, ...]
    unchanged: int

    @property
    def fingerprint(self) -> str:
        """Tells whether the list that was looked at is still what would happen."""
        return hashlib.sha256(repr(self.changes).encode()).hexdigest()


def _kind(text: str, field: str) -> PriceKind:
    try:
        return PriceKind(text.casefold())
    except ValueError as error:
        raise BitternError(field, f"Write goods or labor, not {text[:20]!r}.") from error


def _columns(first_day: date) -> list[Column]:
    readers: dict[str, tuple[Any, Any]] = {
        "code": (text_up_to(80), None),
        "description": (text_up_to(300), None),
        "category": (text_up_to(40), None),
        "kind": (_kind, None),
        "price": (read_cents, None),
        "cost": (read_cents, None),
        "tier": (text_up_to(40), ""),
        "quantity from": (read_count, 1),
        "valid from": (read_date, first_day),
        "valid until": (read_date, _NO_END),
    }
    return [Column(name, *readers[name]) for name in COLUMNS]


def plan_prices(session: Session, name: str, content: bytes, first_day: date) -> PricePlan:
    """What the price file `name` (.csv or .xlsx) would change; nothing is saved.

    A row without a day of its own starts on `first_day`. A file without the column `valid until` leaves the end of
    each price as it is; with it, an empty cell means none. Raises Problems by row and column, all of them.
    """
    table = list(table_rows(name, content))
    if len(table) > MOST_ROWS:
        raise BitternError("file", f"At most {MOST_ROWS:,} prices are taken at once; split the file.")
    rows, problems = read_rows(table, _columns(first_day))
    if problems:
        raise Problems(problems)
    tiers = set(session.scalars(sa.select(PriceTier.name)))
    seen: set[tuple[str, str, int, date]] = set()
    prices: list[PriceRow] = []
    for number, row in rows:
        place = (row["code"], row["tier"], row["quantity from"], row["valid from"])
        if row["tier"] and row["tier"] not in tiers:
            problems.append(
                Problem(
                    f"row {number}, tier", f"There is no customer tier {row['tier'][:40]!r}; add it under Settings."
                )
            )
        if place in seen:
            problems.append(Problem(f"row {number}, code", "This code, tier, quantity and day stand there twice."))
        seen.add(place)
        try:
            prices.append(_price(row))
        except BitternError as error:
            problems.append(Problem(f"row {number}, {error.field.replace('_', ' ')}", error.message))
    if problems:
        raise Problems(problems)
    if not prices:
        raise BitternError("file", "This file has a head but no prices.")
    heads = [cell.strip().casefold() for cell in table[0]]
    return _plan(session, prices, says_ends="valid until" in heads)


def _price(row: dict[str, Any]) -> PriceRow:
    values = {_FIELDS.get(name, name.replace(" ", "_")): value for name, value in row.items()}
    return PriceRow(**values | {"tier": row["tier"] or None, "valid_until": row["valid until"] or None})


def _plan(session: Session, prices: Sequence[PriceRow], *, says_ends: bool) -> PricePlan:
    on_record: dict[tuple[str, str, int], list[PriceBookRow]] = {}
    for row in session.scalars(sa.select(PriceBookRow)):
        on_record.setdefault((row.code, row.tier, row.quantity_from), []).append(row)
    changes = []
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
            continue
        holding = [
            row
            for row in known
            if row.valid_from <= price.valid_from and (row.valid_until is None or price.valid_from <= row.valid_until)
        ]
        latest = max(holding, key=lambda row: row.valid_from, default=None)
        before = (latest.unit_cents, latest.cost_cents) if latest else None
        loses_end = same_day is not None and same_day.valid_until is not None and price.valid_until is None
        changes.append(PriceChange(price, before, same_day is not None, least, loses_end))
    return PricePlan(tuple(changes), len(prices) - len(changes))


def put_on_record(work: Work, name: str, content: bytes, first_day: date, fingerprint: str) -> PricePlan:
    """Save what `plan_prices` showed, all of it; Stale when the book has moved on so that it would do otherwise."""
    work.require_owner()
    with transaction(work.session):
        plan = plan_prices(work.session, name, content, first_day)
        if plan.fingerprint != fingerprint:
            raise Stale("The prices were changed since this list was made. Nothing was saved; look at it again.")
        known = {
            (row.code, row.tier, row.quantity_from, row.valid_from): row
            for row in work.session.scalars(sa.select(PriceBookRow))
        }
        for change in plan.changes:
            price = change.row
            place = (price.code, price.tier or "", price.quantity_from, price.valid_from)
            put_price(work.session, known.get(place), price)
        name_priced(work.session, [change.row for change in plan.changes])
        record(
            work,
            "prices set",
            "price book",
            f"{len(plan.changes)} prices new or changed from {name[:80]}",
            changes=[_told(change) for change in plan.changes],
        )
        return plan


def _told(change: PriceChange) -> list[Any]:
    row = change.row
    after = [row.unit_cents, row.cost_cents]
    before = list(change.before) if change.before else None
    until = [row.valid_until.isoformat()] if row.valid_until else []
    return [row.code, row.tier or "", row.quantity_from, row.valid_from.isoformat(), before, after, *until]
