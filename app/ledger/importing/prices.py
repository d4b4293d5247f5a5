"""Importable rows: prices by code, tier, quantity and day."""

from collections.abc import Sequence
from datetime import date
from itertools import islice

from sqlalchemy.orm import Session

from app.errors import BitternError
from app.ledger.catalog.price_book import PriceChange, price_changes, put_prices
from app.ledger.catalog.price_list import CATEGORY_HEADINGS, COST_HEADINGS, LIST_HEADINGS, WORD_HEADINGS
from app.ledger.catalog.price_queries import PriceEntry, priced_things
from app.ledger.importing.customers import tier_choices
from app.ledger.importing.goods import NUMBER
from app.ledger.importing.kinds import CellKind, ImportColumn, ImportKind, ImportRows, Refuse, RowPlan, RowState
from app.ledger.store.work import Work
from app.pricing import PriceKind, PriceRow, show_cents
from app.spreadsheets import CellLook

MOST_PRICES = 20_000
_BOXES = {"code": "number", "unit_cents": "price", "cost_cents": "cost"}
"""The columns of what pricing refuses of a price; any other is named as its field."""


def _plan_prices(session: Session, _: int | None, rows: ImportRows, refuse: Refuse) -> list[RowPlan]:
    taken = [*islice(rows, MOST_PRICES)]
    for row in rows.numbers[MOST_PRICES:]:
        refuse(row, "number", f"At most {MOST_PRICES:,} prices go in at once: send this in another table.")
    named = priced_things(session, frozenset(values["number"] for _, values in taken))
    said: dict[int, PriceRow] = {}
    seen: set[tuple[str, str | None, int, date]] = set()
    for row, values in taken:
        known = named.get(values["number"]) or PriceEntry("", "", "", PriceKind.GOODS)
        words, first_day = values.get("words") or known.description, values.get("valid from") or rows.today
        if not words:
            refuse(row, "words", f"{values['number'][:40]} is new: give it a description.")
            continue
        if first_day is None:
            refuse(row, "valid from", "Enter the first day.")
            continue
        quantity = values.get("quantity from")
        try:
            price = PriceRow(
                values["number"],
                words,
                values.get("category") or known.category or "goods",
                PriceKind(values.get("kind") or known.kind),
                values["price"],
                values.get("cost") or 0,
                first_day,
                values.get("valid until"),
                values.get("tier") or None,
                1 if quantity is None else quantity,
            )
        except BitternError as error:
            refuse(row, _BOXES.get(error.field, error.field.replace("_", " ")), error.message)
            continue
        place = (price.code, price.tier, price.quantity_from, price.valid_from)
        if place in seen:
            refuse(row, "number", "This code, tier, quantity and day stand there twice.")
        seen.add(place)
        said[row] = price
    changes = price_changes(session, [*said.values()], says_ends="valid until" in rows)
    return [_planned(row, price, change) for (row, price), change in zip(said.items(), changes, strict=True)]


def _planned(row: int, price: PriceRow, change: PriceChange | None) -> RowPlan:
    break_words = f"from {price.quantity_from}" if price.quantity_from > 1 else ""
    title = " ".join(filter(None, (price.code, price.description, price.tier, break_words)))
    if change is None:
        return RowPlan(row, RowState.SAME, title)
    before = [show_cents(cents) for cents in change.before or ()] or ["", ""]
    fields = {
        "price": (before[0], show_cents(price.unit_cents)),
        "cost": (before[1], show_cents(price.cost_cents)),
        "from": ("", price.valid_from.isoformat()),
    }
    if change.price.valid_until:
        fields["until"] = ("", change.price.valid_until.isoformat())
    if look := " ".join(filter(None, (change.guard, "Without end now." if change.loses_end else ""))):
        fields["look"] = ("", look)
    return RowPlan(row, RowState.NEW if change.before is None else RowState.CHANGED, title, fields, change)


def _save_prices(work: Work, _: int | None, plans: Sequence[RowPlan], __: ImportRows) -> None:
    put_prices(work, [plan.value for plan in plans])


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
