"""One price, one customer tier or one tax rule starts or ends on a day; events say before and after."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from datetime import date
from decimal import Decimal

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.catalog.money_rules import put_terms
from app.ledger.catalog.price_queries import guard, least_margin, price_beginning, rule_in_words
from app.ledger.store.engine import get_row, get_version, transaction
from app.ledger.store.errors import LedgerError, Stale, Taken
from app.ledger.store.events import record
from app.ledger.store.records import check_texts, set_changed
from app.ledger.store.work import Work
from app.ledger.tables import (
    Customer,
    DecidingDayRow,
    Item,
    ItemKind,
    PriceBookRow,
    PriceRuleRow,
    PriceTier,
    TaxRuleRow,
    longest,
)
from app.pricing import PaymentTerms, PriceKind, PriceRow, TaxRule, show_cents, show_day
from app.validation import check_length


def set_price(work: Work, price: PriceRow, seen: str = "", *, is_thin_meant: bool = False) -> PriceBookRow:
    """Put a price on record from a day on; one that begins on the same day is replaced when its mark
    (`cents_mark`) is what was `seen`.

    Raises LedgerError on `is_thin_meant` when the margin is thin and that was not said yet, Stale when somebody
    set the same price first.
    """
    work.require_owner()
    check_texts(price, PriceBookRow)
    for field in ("description", "category"):
        if not getattr(price, field):
            raise LedgerError(field, f"Enter the {field}.")
    refuse_thin(guard(price.unit_cents, price.cost_cents, least_margin(work.session)), is_thin_meant)
    with transaction(work.session):
        refuse_unknown_tier(work.session, price.tier)
        row = price_beginning(work.session, price.code, price.tier or "", price.quantity_from, price.valid_from)
        if (cents_mark(row) if row else "") not in (seen, cents_mark(price)):
            raise Stale()
        before = [row.unit_cents, row.cost_cents] if row else None
        row = put_price(work.session, row, price)
        name_priced(work.session, [price])
        was = f"; was {show_cents(before[0])}, cost {show_cents(before[1])}" if before else ""
        record(
            work,
            "price set",
            subject_of(price.code),
            f"{_who(row)}: {show_cents(price.unit_cents)}, cost {show_cents(price.cost_cents)}, from "
            f"{show_day(price.valid_from)}{was}",
            unit_cents=price.unit_cents,
            cost_cents=price.cost_cents,
            valid_from=price.valid_from.isoformat(),
            before=before,
        )
        return row


def put_price(session: Session, row: PriceBookRow | None, price: PriceRow) -> PriceBookRow:
    """The row as this price says, or a new one, inside the caller's transaction."""
    row = row or PriceBookRow()
    said = {name: value for name, value in asdict(price).items() if name not in ("description", "category", "kind")}
    set_changed(row, {**said, "tier": price.tier or ""})
    session.add(row)
    return row


def name_priced(session: Session, prices: Iterable[PriceRow]) -> None:
    """Have the house's own items say what these prices say of their codes, inside the caller's transaction; what is a
    maker's part number keeps to what its list says.
    """
    said = {price.code: price for price in prices}
    rows = session.scalars(sa.select(Item).where(Item.code.in_(said)).order_by(Item.maker_id, Item.id))
    known: dict[str, Item] = {}
    for item in rows:
        if item.kind not in (ItemKind.PIN, ItemKind.UNPINNED) and (item.maker_id is None or item.code not in known):
            known[item.code] = item
    for code, price in said.items():
        kind = ItemKind.LABOR if price.kind is PriceKind.LABOR else ItemKind.GOODS
        told = {"words": price.description, "category": price.category}
        found = known.get(code)
        if found is None:
            session.add(Item(code=code, kind=kind, cost_cents=price.cost_cents, **told))
        elif found.maker_id is None:
            is_same = (found.kind is ItemKind.LABOR) == (kind is ItemKind.LABOR)
            set_changed(found, told if is_same else {**told, "kind": kind})
    session.flush()


def refuse_thin(why: str, is_thin_meant: bool) -> None:
    """Ask the owner to look again where a margin is thin, until that is said to be meant."""
    if why and not is_thin_meant:
        raise LedgerError("is_thin_meant", f"{why} Tick this to set it all the same.")


def refuse_unknown_tier(session: Session, tier: str | None) -> None:
    """Refuse a price or a rule of a tier that is not on record."""
    if tier and not session.scalar(sa.select(PriceTier.id).where(PriceTier.name == tier)):
        raise LedgerError("tier", f"There is no customer tier named {tier}; add it under Settings.")


def cents_mark(price: PriceRow | PriceBookRow) -> str:
    """Tells whether a price and its cost are as they were when a page was made."""
    return f"{price.unit_cents}/{price.cost_cents}"


def price_mark(row: PriceBookRow) -> str:
    """Tells whether a price and its end are as they were when a page was made."""
    return f"{cents_mark(row)}/{row.valid_until or ''}"


def end_price(work: Work, row_id: int, last_day: date, seen: str) -> PriceBookRow:
    """Let a price hold up to and including a day; a coming one may be taken back by a day before its first.

    Stale when its mark (`price_mark`) is no longer what was `seen`.
    """
    work.require_owner()
    with transaction(work.session):
        row = get_row(work.session, PriceBookRow, row_id, "price")
        if price_mark(row) != seen:
            raise Stale()
        if end_row(work.session, row, last_day, work.today):
            what = f"{show_cents(row.unit_cents)} ends on {show_day(last_day)}"
        else:
            what = f"the price from {show_day(row.valid_from)} was undone"
        record(work, "price ended", subject_of(row.code), f"{_who(row)}: {what}")
        return row


def end_row(session: Session, row: PriceBookRow | PriceRuleRow, last_day: date, today: date) -> bool:
    """Let a price or a rule hold up to a day; False where it is deleted instead, since it would never hold."""
    if last_day >= row.valid_from:
        row.valid_until = last_day
        return True
    if row.valid_from <= today:
        what = "rule" if isinstance(row, PriceRuleRow) else "price"
        raise LedgerError("last_day", f"The last day may not be before the {what}'s first.")
    session.delete(row)
    return False


def subject_of(code: str) -> str:
    """The subject of a code's events."""
    return f"price {code}"[:60]


def _who(row: PriceBookRow) -> str:
    said = row.code
    if row.tier:
        said += f", {row.tier}"
    if row.quantity_from > 1:
        said += f", from {row.quantity_from:,}"
    return said


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


def set_tier(
    work: Work,
    name: str,
    percent_off: Decimal,
    tier_id: int | None = None,
    version: int | None = None,
    *,
    terms: PaymentTerms | None = None,
) -> PriceTier:
    """Add a tier with what it takes off catalog list prices in percent (`tier_id` None), or change one that was read
    at `version`. terms: of payment, its own; None: the house's.

    A tier keeps its name once customers or prices use it; Taken when the name is another's.
    """
    work.require_owner()
    name = name.strip()
    if not name:
        raise LedgerError("name", "Enter the tier's name.")
    check_length(name, longest(PriceTier.name), "name")
    with transaction(work.session):
        tier = PriceTier(name=name, percent_off="0")
        before = ""
        if tier_id is not None:
            tier = get_version(work.session, PriceTier, tier_id, "customer tier", version)
            before = f", was {tier.percent_off} %"
        same_name = sa.select(PriceTier.id).where(sa.func.lower(PriceTier.name) == name.lower())
        if work.session.scalar(same_name) not in (None, tier_id):
            raise Taken("name", f"There is a tier named {name} already; change that one.")
        in_use = sa.select(Customer.id).where(Customer.tier == tier.name).limit(1)
        if tier.name != name and work.session.scalar(in_use):
            raise LedgerError("name", f"Customers are in {tier.name}; add a new tier and move them instead.")
        tier.name, tier.percent_off = name, f"{percent_off:f}"
        put_terms(tier, terms)
        work.session.add(tier)
        work.session.flush()
        own = f"; {terms.words}" if terms else ""
        record(work, "tier set", "house", f"Tier {name}: {tier.percent_off} % off list{before}{own}")
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


def set_tax_rule(work: Work, rule: TaxRule, seen: str = "") -> TaxRuleRow:
    """Put a place's sales tax on record from a day on; one that begins on the same day is replaced when it is as
    its mark (`tax_mark`) was `seen`, else Stale.

    Quotes that were issued keep the tax that they were issued with.
    """
    work.require_owner()
    with transaction(work.session):
        place = {"place": rule.place, "valid_from": rule.valid_from}
        row = work.session.scalar(sa.select(TaxRuleRow).filter_by(**place))
        before, was = tax_mark(row), f" (was {row.rate_percent} %)" if row else ""
        row = row or TaxRuleRow(**place)
        row.rate_percent = f"{rule.rate:f}"
        row.goods_taxed, row.labour_taxed = rule.goods_taxed, rule.labour_taxed
        if before not in ("", seen, tax_mark(row)):
            raise Stale(
                f"{rule.place} has a rate from this day on already: choose Change beside it to see it and replace it."
            )
        work.session.add(row)
        work.session.flush()
        record(work, "tax rule set", "house", f"From {show_day(rule.valid_from)}: {rule.sentence}{was}")
        return row


def set_deciding_day(
    work: Work, valid_from: date, *, tax_of_hand_over: bool, prices_of_hand_over: bool
) -> DecidingDayRow:
    """Put on record which day decides a quote's sales tax, and which its prices, from a day on; a rule that begins on
    the same day is replaced. Quotes that were issued keep the rule that they name.
    """
    work.require_owner()
    with transaction(work.session):
        rows = sa.select(DecidingDayRow).where(DecidingDayRow.valid_from == valid_from)
        row = work.session.scalar(rows) or DecidingDayRow(valid_from=valid_from)
        row.tax_of_hand_over, row.prices_of_hand_over = tax_of_hand_over, prices_of_hand_over
        work.session.add(row)
        work.session.flush()
        said = rule_in_words(row.tax_of_hand_over, row.prices_of_hand_over)
        record(work, "deciding day set", "house", f"From {show_day(valid_from)}: {said}")
        return row
