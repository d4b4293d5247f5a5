"""One price, one customer tier or one tax rule starts or ends on a day; events say before and after."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.catalog.price_queries import guard, least_margin
from app.ledger.store.engine import get_row, transaction
from app.ledger.store.errors import LedgerError, Stale, Taken
from app.ledger.store.events import record
from app.ledger.store.records import check_texts
from app.ledger.store.work import Work
from app.ledger.tables import Customer, PriceBookRow, PriceTier, TaxRuleRow
from app.pricing import PriceKind, PriceRow, TaxRule, show_cents, show_day

Seen = tuple[int, int] | None
"""(price, cost) in cents of the row that stood there when the form was loaded; None: there was none."""


@dataclass(frozen=True, slots=True)
class PriceForm:
    """One price from a day on. `is_thin_meant`: the owner was shown the margin guard and means it."""

    code: str
    description: str
    category: str
    kind: PriceKind
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
    work.require_owner()
    check_texts(form, PriceBookRow)
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
            raise LedgerError("tier", f"There is no customer tier named {form.tier}; add it under Settings.")
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
    work.require_owner()
    with transaction(work.session):
        row = get_row(work.session, PriceBookRow, row_id, "price")
        if price_mark(row) != seen:
            raise Stale()
        if last_day < row.valid_from:
            if row.valid_from <= work.today:
                raise LedgerError("last_day", "The last day may not be before the price's first.")
            work.session.delete(row)
            what = f"the price from {show_day(row.valid_from)} was undone"
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


@dataclass(frozen=True, slots=True)
class TierForm:
    """A tier's name and what it takes off catalog list prices, in percent."""

    name: str
    percent_off: Decimal


@dataclass(frozen=True, slots=True)
class TaxRuleForm:
    """The sales tax of a place from a day on."""

    place: str
    rate: Decimal
    goods_taxed: bool
    labour_taxed: bool
    valid_from: date


def list_tiers(session: Session) -> Mapping[PriceTier, int]:
    """Tier → how many customers are in it, by name."""
    count = sa.func.count(Customer.id)
    rows = session.execute(
        sa.select(PriceTier, count)
        .outerjoin(Customer, Customer.tier == PriceTier.name)
        .group_by(PriceTier.id)
        .order_by(PriceTier.name)
    )
    return {row[0]: row[1] for row in rows}


def get_tier(session: Session, tier_id: int) -> PriceTier:
    """A tier; NotFound when there is none."""
    return get_row(session, PriceTier, tier_id, "customer tier")


def set_tier(work: Work, form: TierForm, tier_id: int | None = None, version: int | None = None) -> PriceTier:
    """Add a tier (`tier_id` None) or change one that was read at `version`.

    A tier keeps its name once customers or prices use it; Taken when the name is another's.
    """
    work.require_owner()
    check_texts(form, PriceTier)
    name = form.name.strip()
    if not name:
        raise LedgerError("name", "Enter the tier's name.")
    with transaction(work.session):
        tier = PriceTier(name=name, percent_off="0") if tier_id is None else get_tier(work.session, tier_id)
        if tier_id is not None and tier.version != version:
            raise Stale()
        same_name = sa.select(PriceTier.id).where(sa.func.lower(PriceTier.name) == name.lower())
        if work.session.scalar(same_name) not in (None, tier_id):
            raise Taken("name", f"There is a tier named {name} already; change that one.")
        in_use = sa.select(Customer.id).where(Customer.tier == tier.name).limit(1)
        if tier.name != name and work.session.scalar(in_use):
            raise LedgerError("name", f"Customers are in {tier.name}; add a new tier and move them instead.")
        before = "" if tier_id is None else f", was {tier.percent_off} %"
        tier.name, tier.percent_off = name, f"{form.percent_off:f}"
        work.session.add(tier)
        work.session.flush()
        record(work, "tier set", "house", f"Tier {name}: {tier.percent_off} % off list{before}")
        return tier


def list_tax_rules(session: Session) -> Sequence[TaxRuleRow]:
    """Every sales-tax rule, by place, the newest of a place first."""
    return session.scalars(sa.select(TaxRuleRow).order_by(TaxRuleRow.place, TaxRuleRow.valid_from.desc())).all()


def tax_mark(rule: TaxRuleRow | None) -> str:
    """Tells whether a rule is as it was when a page was made; "" for none."""
    if rule is None:
        return ""
    return f"{rule.rate_percent}/{'goods' * rule.goods_taxed}/{'labor' * rule.labour_taxed}"


def get_tax_rule(session: Session, rule_id: int) -> TaxRuleRow:
    """One rule; NotFound when there is none."""
    return get_row(session, TaxRuleRow, rule_id, "sales-tax rule")


def set_tax_rule(work: Work, form: TaxRuleForm, seen: str = "") -> TaxRuleRow:
    """Put a place's sales tax on record from a day on; one that begins on the same day is replaced when it is as
    its mark (`tax_mark`) was `seen`, else Stale.

    Quotes that were issued keep the tax that they were issued with.
    """
    work.require_owner()
    rule = TaxRule(form.place.strip(), form.rate, form.goods_taxed, form.labour_taxed, form.valid_from)
    with transaction(work.session):
        row = work.session.scalar(
            sa.select(TaxRuleRow).where(TaxRuleRow.place == rule.place, TaxRuleRow.valid_from == rule.valid_from)
        )
        wanted = TaxRuleRow(
            rate_percent=f"{rule.rate:f}", goods_taxed=rule.goods_taxed, labour_taxed=rule.labour_taxed
        )
        if row is not None and tax_mark(row) not in (seen, tax_mark(wanted)):
            raise Stale(
                f"{rule.place} has a rate from this day on already: choose Change beside it to see it and replace it."
            )
        before = f" (was {row.rate_percent} %)" if row else ""
        row = row or TaxRuleRow(place=rule.place, valid_from=rule.valid_from)
        row.rate_percent = f"{rule.rate:f}"
        row.goods_taxed, row.labour_taxed = rule.goods_taxed, rule.labour_taxed
        work.session.add(row)
        work.session.flush()
        record(work, "tax rule set", "house", f"From {rule.valid_from.isoformat()}: {rule.sentence}{before}")
        return row
