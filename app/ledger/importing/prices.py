"""Importable rows: prices by code, tier, quantity and day, by the rules of the price file."""

from collections.abc import Sequence
from datetime import date
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problems
from app.ledger.catalog.price_book import COLUMNS, PricePlan, export_rows, plan_prices, put_on_record
from app.ledger.catalog.price_list import CATEGORY_HEADINGS, COST_HEADINGS, LIST_HEADINGS, WORD_HEADINGS
from app.ledger.importing.customers import tier_choices
from app.ledger.importing.goods import NUMBER
from app.ledger.importing.kinds import CellKind, ImportColumn, ImportKind, ImportRows, Refuse, RowPlan, RowState
from app.ledger.store.work import Work
from app.ledger.tables import Item, ItemKind
from app.pricing import show_cents
from app.spreadsheets import CellLook, csv_bytes

_FILE = "prices.csv"
_FIRST = 2  # the row of the price file in which the first price stands


def _named(session: Session) -> dict[str, list[str]]:
    """Code → its words, its category, and whether it is goods or labor, as far as the house knows it."""
    items = sa.select(Item.code, Item.words, Item.category, Item.kind).order_by(Item.maker_id.is_(None), Item.id)
    found = {
        code: [words, category or "goods", "labor" if kind is ItemKind.LABOR else "goods"]
        for code, words, category, kind in session.execute(items)
    }
    lines = iter(export_rows(session))
    next(lines)
    return found | {line[0]: line[1:4] for line in lines}


def _cells(values: dict[str, Any], known: Sequence[str], today: date | None) -> list[str]:
    """A row as the price file has it."""
    words, category, kind = known
    first_day = values.get("valid from") or today
    return [
        values["number"],
        values.get("words") or words,
        values.get("category") or category or "goods",
        values.get("kind") or kind,
        _money(values["price"]),
        _money(values.get("cost") or 0),
        values.get("tier") or "",
        str(values.get("quantity from") or 1),
        first_day.isoformat() if first_day else "",
        until.isoformat() if (until := values.get("valid until")) else "",
    ]


def _money(cents: int) -> str:
    return f"{cents // 100}.{cents % 100:02d}"


def _file(rows: Sequence[list[str]], *, says_ends: bool) -> bytes:
    """The price file of these rows; without its last column it leaves the ends of prices as they are."""
    width = len(COLUMNS) if says_ends else len(COLUMNS) - 1
    return csv_bytes([list(COLUMNS)[:width], *(row[:width] for row in rows)])


_OF_FILE = {"code": "number", "description": "words"}


def _plan_prices(session: Session, _: int | None, rows: ImportRows, refuse: Refuse) -> list[RowPlan]:
    named = _named(session)
    said: dict[int, list[str]] = {}
    for row, values in rows:
        known = named.get(values["number"])
        if known is None and not values.get("words"):
            refuse(row, "words", f"{values['number'][:40]} is new: give it a description.")
        elif rows.today is None and not values.get("valid from"):
            refuse(row, "valid from", "Enter the first day.")
        else:
            said[row] = _cells(dict(values), known or ("", "goods", "goods"), rows.today)
    says_ends = "valid until" in rows
    plan: PricePlan | None = None
    while said and plan is None:
        numbers = [*said]
        try:
            plan = plan_prices(session, _FILE, _file([*said.values()], says_ends=says_ends), rows.today or date.min)
        except Problems as refused:
            for problem in refused.problems:
                place, __, column = problem.field.removeprefix("row ").partition(", ")
                if not place.isdecimal():
                    raise
                at = numbers[int(place) - _FIRST]
                refuse(at, _OF_FILE.get(column, column), problem.message)
                said.pop(at, None)
    return _price_plans(said, plan, says_ends=says_ends) if plan else []


def _price_plans(said: dict[int, list[str]], plan: PricePlan, *, says_ends: bool) -> list[RowPlan]:
    changes = {
        (one.row.code, one.row.tier or "", one.row.quantity_from, one.row.valid_from.isoformat()): one
        for one in plan.changes
    }
    found = []
    for number, cells in said.items():
        tier, quantity, first_day = cells[6:9]
        change = changes.get((cells[0], tier, int(quantity), first_day))
        title = " ".join(filter(None, (cells[0], cells[1], tier, f"from {quantity}" if quantity != "1" else "")))
        if change is None:
            found.append(RowPlan(number, RowState.SAME, title, value=(cells, says_ends)))
            continue
        before = [show_cents(cents) for cents in change.before or ()] or ["", ""]
        fields = {
            "price": (before[0], show_cents(change.row.unit_cents)),
            "cost": (before[1], show_cents(change.row.cost_cents)),
            "from": ("", first_day),
        }
        if change.row.valid_until:
            fields["until"] = ("", change.row.valid_until.isoformat())
        if look := " ".join(filter(None, (change.guard, "Without end now." if change.loses_end else ""))):
            fields["look"] = ("", look)
        state = RowState.NEW if change.before is None else RowState.CHANGED
        found.append(RowPlan(number, state, title, fields, (cells, says_ends)))
    return found


def _save_prices(work: Work, _: int | None, plans: Sequence[RowPlan], __: ImportRows) -> None:
    says_ends = any(plan.value[1] for plan in plans)
    content = _file([plan.value[0] for plan in plans], says_ends=says_ends)
    shown = plan_prices(work.session, _FILE, content, work.today)
    put_on_record(work, _FILE, content, work.today, shown.fingerprint)


PRICES = ImportKind(
    "prices",
    "Prices",
    "price",
    (
        NUMBER,
        ImportColumn(
            name="price",
            words="Price each",
            also=(*LIST_HEADINGS, "sell", "selling price", "our price"),
            look=CellLook.MONEY,
            cell=CellKind.MONEY,
            is_needed=True,
        ),
        ImportColumn(name="cost", words="Cost each", also=COST_HEADINGS, cell=CellKind.MONEY),
        ImportColumn(
            name="tier",
            words="Customer tier",
            also=("tier", "price level", "price group", "customer type", "for"),
            cell=CellKind.CHOICE,
            choices=tier_choices,
        ),
        ImportColumn(
            name="quantity from",
            words="From quantity",
            also=("quantity from", "qty from", "min qty", "minimum", "break", "quantity break", "qty"),
            cell=CellKind.WHOLE,
        ),
        ImportColumn(
            name="valid from",
            words="Holds from",
            also=("valid from", "effective", "effective date", "from", "start", "start date"),
            look=CellLook.DAY,
            cell=CellKind.DAY,
        ),
        ImportColumn(
            name="valid until",
            words="Holds until",
            also=("valid until", "until", "end", "end date", "expires"),
            cell=CellKind.DAY,
        ),
        ImportColumn(name="words", words="Description", also=WORD_HEADINGS, most=300),
        ImportColumn(name="category", words="Category", also=CATEGORY_HEADINGS, most=40),
        ImportColumn(
            name="kind",
            words="Taxed as",
            also=("taxed as", "goods or labor", "type", "kind"),
            cell=CellKind.CHOICE,
            choices=lambda _: {"goods": "goods", "labor": "labor"},
        ),
    ),
    _plan_prices,
    _save_prices,
    has_first_day=True,
    hint="A row a price. Without a day it holds from today; a code that is new needs a description.",
)
