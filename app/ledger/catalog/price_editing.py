"""Use cases: one price starts on a day, or ends on one; each is an event that says before and after."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa

from app.ledger.catalog.margin import guard, least_margin
from app.ledger.sites.customers import check_texts
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound, Stale
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import PriceBookRow, PriceTier
from app.pricing import LineKind, PriceRow, show_cents, show_day

Seen = tuple[int, int] | None
"""(price, cost) in cents of the row that stood there when the form was loaded; None: there was none."""


@dataclass(frozen=True, slots=True)
class PriceForm:
    """One price from a day on. `is_thin_meant`: the owner was shown the margin guard and means it."""

    code: str
    description: str
    category: str
    kind: LineKind
    unit_cents: int
    cost_cents: int
    tier: str
    quantity_from: int
    valid_from: date
    is_thin_meant: bool = False


def set_price(work: Work, form: PriceForm, seen: Seen = None) -> PriceBookRow:
    """Put a price on record from a day on; one that begins on the same day is replaced when it is as it was `seen`.

    Raises LedgerError on `is_thin_meant` when the margin is thin and that was not said yet, Stale when somebody
    set the same price first.
    """
    work.require()
    check_texts(form, {"code": 80, "description": 300, "category": 40, "tier": 40})
    price = PriceRow(
        code=form.code.strip(),
        description=form.description.strip(),
        category=form.category.strip(),
        kind=form.kind,
        unit_cents=form.unit_cents,
        cost_cents=form.cost_cents,
        valid_from=form.valid_from,
        tier=form.tier or None,
        quantity_from=form.quantity_from,
    )
    for field in ("description", "category"):
        if not getattr(price, field):
            raise LedgerError(field, f"Enter the {field}.")
    thin = guard(price.unit_cents, price.cost_cents, least_margin(work.session))
    if thin and not form.is_thin_meant:
        raise LedgerError("is_thin_meant", f"{thin} Tick this to set it all the same.")
    with transaction(work.session):
        if form.tier and not work.session.scalar(sa.select(PriceTier.id).where(PriceTier.name == form.tier)):
            raise LedgerError("tier", f"There is no customer tier named {form.tier}; add it under House.")
        row = work.session.scalar(
            sa.select(PriceBookRow).where(
                PriceBookRow.code == price.code,
                PriceBookRow.tier == form.tier,
                PriceBookRow.quantity_from == price.quantity_from,
                PriceBookRow.valid_from == price.valid_from,
            )
        )
        found = (row.unit_cents, row.cost_cents) if row else None
        if found != seen and found != (price.unit_cents, price.cost_cents):
            raise Stale()
        row = row or PriceBookRow(
            code=price.code, tier=form.tier, quantity_from=price.quantity_from, valid_from=price.valid_from
        )
        row.description, row.category, row.kind = price.description, price.category, price.kind.value
        row.unit_cents, row.cost_cents, row.valid_until = price.unit_cents, price.cost_cents, None
        work.session.add(row)
        work.session.flush()
        was = f"; was {show_cents(found[0])}, cost {show_cents(found[1])}" if found else ""
        record(
            work,
            "price set",
            subject_of(price.code),
            f"{_who(price.code, form.tier, price.quantity_from)}: {show_cents(price.unit_cents)}, cost "
            f"{show_cents(price.cost_cents)}, from {show_day(price.valid_from)}{was}",
            unit_cents=price.unit_cents,
            cost_cents=price.cost_cents,
            valid_from=price.valid_from.isoformat(),
            before=list(found) if found else None,
        )
        return row


def price_mark(row: PriceBookRow) -> str:
    """Tells whether a price and its end are as they were when a page was made."""
    return f"{row.unit_cents}/{row.cost_cents}/{row.valid_until or ''}"


def end_price(work: Work, row_id: int, last_day: date, seen: str) -> PriceBookRow:
    """Let a price hold up to and including a day; a coming one may be taken back by a day before its first.

    Stale when its mark (`price_mark`) is no longer what was `seen`.
    """
    work.require()
    with transaction(work.session):
        row = work.session.get(PriceBookRow, row_id)
        if row is None:
            raise NotFound("price")
        if price_mark(row) != seen:
            raise Stale()
        if last_day < row.valid_from:
            if row.valid_from <= work.today:
                raise LedgerError("last_day", "The last day may not be before the price's first.")
            work.session.delete(row)
            what = f"the price from {show_day(row.valid_from)} was taken back"
        else:
            row.valid_until = last_day
            what = f"{show_cents(row.unit_cents)} ends on {show_day(last_day)}"
        record(work, "price ended", subject_of(row.code), f"{_who(row.code, row.tier, row.quantity_from)}: {what}")
        return row


def subject_of(code: str) -> str:
    """The subject of a code's events."""
    return f"price {code}"[:60]


def _who(code: str, tier: str, quantity_from: int) -> str:
    said = code
    if tier:
        said += f", {tier}"
    if quantity_from > 1:
        said += f", from {quantity_from:,}"
    return said
