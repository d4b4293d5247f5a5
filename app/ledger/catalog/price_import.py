"""A file of prices held against the book: what it would change, before anything is saved."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError, Problem, Problems
from app.ledger.catalog.price_book import COLUMNS
from app.ledger.catalog.price_editing import put_price
from app.ledger.catalog.price_queries import guard, least_margin, margin_percent, price_of
from app.ledger.store.engine import transaction
from app.ledger.store.errors import Stale
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import PriceBookRow, PriceTier
from app.pricing import PriceKind, PriceRow, read_cents
from app.spreadsheets import Column, read_count, read_date, read_rows, table_rows, text_up_to

MOST_ROWS = 20_000
_NO_END = ""
_FIELDS = {"price": "unit_cents", "cost": "cost_cents"}


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

    @property
    def warned(self) -> int:
        """How many changes the margin guard asks about."""
        return sum(bool(change.guard) for change in self.changes)


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
    least = least_margin(session)
    for price in prices:
        known = on_record.get((price.code, price.tier or "", price.quantity_from), [])
        same_day = next((row for row in known if row.valid_from == price.valid_from), None)
        if same_day is not None and not says_ends:
            price = replace(price, valid_until=same_day.valid_until)
        if same_day is not None and price_of(same_day) == price:
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
            raise Stale("The price book was changed since this list was made. Nothing was saved; look at it again.")
        known = {
            (row.code, row.tier, row.quantity_from, row.valid_from): row
            for row in work.session.scalars(sa.select(PriceBookRow))
        }
        for change in plan.changes:
            price = change.row
            place = (price.code, price.tier or "", price.quantity_from, price.valid_from)
            put_price(work.session, known.get(place), price)
        work.session.flush()
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
