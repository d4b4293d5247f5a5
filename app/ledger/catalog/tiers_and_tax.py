"""Use cases: one customer tier, one dated sales-tax rule go on record from the house's settings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.sites.customers import check_texts
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound, Stale, Taken
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Customer, PriceTier, TaxRuleRow
from app.pricing import TaxRule


@dataclass(frozen=True, slots=True)
class TierForm:
    """A tier's name and what it takes off catalogue list prices, in percent."""

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
    tier = session.get(PriceTier, tier_id)
    if tier is None:
        raise NotFound("customer tier")
    return tier


def set_tier(work: Work, form: TierForm, tier_id: int | None = None, version: int | None = None) -> PriceTier:
    """Add a tier (`tier_id` None) or change one that was read at `version`.

    A tier keeps its name once customers or prices use it; Taken when the name is another's.
    """
    work.require()
    check_texts(form, {"name": 40})
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
    return f"{rule.rate_percent}/{'goods' * rule.goods_taxed}/{'labour' * rule.labour_taxed}"


def get_tax_rule(session: Session, rule_id: int) -> TaxRuleRow:
    """One rule; NotFound when there is none."""
    row = session.get(TaxRuleRow, rule_id)
    if row is None:
        raise NotFound("sales-tax rule")
    return row


def set_tax_rule(work: Work, form: TaxRuleForm, seen: str = "") -> TaxRuleRow:
    """Put a place's sales tax on record from a day on; one that begins on the same day is replaced when it is as
    its mark (`tax_mark`) was `seen`, else Stale.

    Quotes that were issued keep the tax that they were issued with.
    """
    work.require()
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
