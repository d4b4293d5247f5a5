"""The house's rules about money, from a day on: put on record by the owner, asked by whatever is reckoned."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.store.engine import asked_once, transaction
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import MoneyRulesRow, PriceTier
from app.pricing import Dating, MoneyRules, PaymentTerms, show_day


@asked_once
def money_rules_on(session: Session, day: date) -> MoneyRules:
    """The rules in force on a day; before the first that were put on record the usual ones."""
    rows = sa.select(MoneyRulesRow.terms).where(MoneyRulesRow.valid_from <= day)
    found = session.scalar(rows.order_by(MoneyRulesRow.valid_from.desc()).limit(1))
    return MoneyRules() if found is None else MoneyRules.from_json(found)


def list_money_rules(session: Session) -> Sequence[MoneyRulesRow]:
    """Every rule on record, the newest first."""
    return session.scalars(sa.select(MoneyRulesRow).order_by(MoneyRulesRow.valid_from.desc())).all()


def set_money_rules(work: Work, valid_from: date, rules: MoneyRules) -> MoneyRulesRow:
    """Put the rules on record from a day on; those that begin on the same day are replaced. Papers that were issued
    keep the rules that they name.
    """
    work.require_owner()
    with transaction(work.session):
        rows = sa.select(MoneyRulesRow).where(MoneyRulesRow.valid_from == valid_from)
        row = work.session.scalar(rows) or MoneyRulesRow(valid_from=valid_from)
        row.terms = rules.to_json()
        work.session.add(row)
        work.session.flush()
        said = " ".join(rules.sentences)
        record(work, "money rules set", "house", f"From {show_day(valid_from)}: {said}")
        return row


def terms_of_tier(session: Session, tier: str, rules: MoneyRules) -> PaymentTerms:
    """A customer tier's terms of payment; the house's own where it has none."""
    found = session.scalar(sa.select(PriceTier).where(PriceTier.name == tier)) if tier else None
    return rules.terms if found is None else (own_terms(found) or rules.terms)


def own_terms(tier: PriceTier) -> PaymentTerms | None:
    """The terms of its own that a tier has."""
    if tier.due_days is None:
        return None
    return PaymentTerms(tier.due_days, Decimal(tier.cash_percent), tier.cash_days, Dating(tier.dating))


def put_terms(tier: PriceTier, terms: PaymentTerms | None) -> None:
    """Let a tier have terms of its own, or with None the house's."""
    held = terms or replace(PaymentTerms(), cash_percent=Decimal(0))
    tier.due_days = terms.due_days if terms else None
    tier.cash_percent, tier.cash_days, tier.dating = f"{held.cash_percent:f}", held.cash_days, held.dating
