"""Use cases: prices, tiers, tax rules, bench terms and the house's own settings go on record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date
from decimal import Decimal, InvalidOperation
from typing import Any

import sqlalchemy as sa

from app.errors import BitternError, Problem, Problems
from app.ledger.catalog.price_queries import changed_terms, terms_mark
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import BENCH_TERMS_SET, BenchTermsRow, House, PriceBookRow, PriceTier, TaxRuleRow
from app.pricing import BenchTerms, PriceKind, PriceRow, TaxRule, read_cents, read_percent
from app.spreadsheets import Column, read_count, read_table, text_up_to
from app.validation import check_lengths


def read_date(text: str, field: str) -> date:
    """A day as 2026-11-25."""
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise BitternError(field, f"Write the day as 2026-01-31, not {text[:20]!r}.") from error


def read_yes(text: str, field: str) -> bool:
    """yes or no."""
    if text.casefold() not in ("yes", "no"):
        raise BitternError(field, f"Write yes or no, not {text[:20]!r}.")
    return text.casefold() == "yes"


def read_decimal(text: str, field: str) -> str:
    """A percentage from 0 to 100 with at most four decimals, as text."""
    try:
        value = Decimal(text)
    except InvalidOperation as error:
        raise BitternError(field, f"Enter a percentage such as 7.25, not {text[:20]!r}.") from error
    exponent = value.as_tuple().exponent
    if not value.is_finite() or not 0 <= value <= 100 or not isinstance(exponent, int) or exponent < -4:
        raise BitternError(field, "Enter a percentage from 0 to 100 with at most four decimals.")
    return text


def _read_kind(text: str, field: str) -> str:
    try:
        return PriceKind(text).value
    except ValueError as error:
        raise BitternError(field, f"Write goods or labor, not {text[:20]!r}.") from error


def import_prices(work: Work, text: str, first_day: date) -> int:
    """Put a table of prices on record: all of it, or Problems by row and column and nothing.

    Columns: code, description, category, kind, price, cost; tier, quantity from, valid from, valid until may be
    absent (then everybody, 1, `first_day`, no end). A row for the same code, tier, quantity and day replaces the
    earlier one.
    """
    work.require_owner()
    columns = [
        Column("code", text_up_to(80)),
        Column("description", text_up_to(300)),
        Column("category", text_up_to(40)),
        Column("kind", _read_kind),
        Column("price", read_cents),
        Column("cost", read_cents),
        Column("tier", text_up_to(40), ""),
        Column("quantity from", read_count, 1),
        Column("valid from", read_date, first_day),
        Column("valid until", read_date, ""),
    ]
    rows, problems = read_table(text, columns)
    if problems:
        raise Problems(problems)
    prices = [
        PriceRow(
            code=row["code"],
            description=row["description"],
            category=row["category"],
            kind=PriceKind(row["kind"]),
            unit_cents=row["price"],
            cost_cents=row["cost"],
            valid_from=row["valid from"],
            valid_until=row["valid until"] or None,
            tier=row["tier"] or None,
            quantity_from=row["quantity from"],
        )
        for _, row in rows
    ]
    add_price_rows(work, prices)
    return len(prices)


def add_price_rows(work: Work, prices: Sequence[PriceRow]) -> None:
    """Put price rows on record; one that holds for the same code, tier, quantity and day is replaced."""
    work.require_owner()
    keys = [(price.code, price.tier, price.quantity_from, price.valid_from) for price in prices]
    twice = sorted({key[0] for key in keys if keys.count(key) > 1}) if len(keys) != len(set(keys)) else []
    if twice:
        raise Problems([Problem("code", f"{code} stands twice for one tier, quantity and day.") for code in twice])
    with transaction(work.session):
        known = {
            (row.code, row.tier, row.quantity_from, row.valid_from): row
            for row in work.session.scalars(sa.select(PriceBookRow))
        }
        changed = 0
        for price in prices:
            place = (price.code, price.tier or "", price.quantity_from, price.valid_from)
            row = known.get(place)
            if row is None:
                row = PriceBookRow(code=place[0], tier=place[1], quantity_from=place[2], valid_from=place[3])
                work.session.add(row)
            before = (row.unit_cents, row.cost_cents)
            row.description, row.category, row.kind = price.description, price.category, price.kind.value
            row.unit_cents, row.cost_cents = price.unit_cents, price.cost_cents
            row.valid_until = price.valid_until
            changed += before != (price.unit_cents, price.cost_cents)
        work.session.flush()
        record(work, "prices set", "price book", f"{changed} of {len(prices)} prices new or changed")


def import_tiers(work: Work, text: str) -> int:
    """Put customer tiers on record. Columns: name, percent off (list prices)."""
    work.require_owner()
    rows, problems = read_table(text, [Column("name", text_up_to(40)), Column("percent off", read_decimal)])
    if problems:
        raise Problems(problems)
    with transaction(work.session):
        for _, row in rows:
            tier = work.session.scalar(sa.select(PriceTier).where(PriceTier.name == row["name"]))
            if tier is None:
                tier = PriceTier(name=row["name"])
                work.session.add(tier)
            tier.percent_off = row["percent off"]
            work.session.flush()
        record(work, "tiers set", "price book", f"{len(rows)} customer tiers set")
    return len(rows)


def import_tax_rules(work: Work, text: str, first_day: date) -> int:
    """Put sales-tax rules on record. Columns: place, rate percent, goods taxed, labor taxed; valid from."""
    work.require_owner()
    columns = [
        Column("place", text_up_to(80)),
        Column("rate percent", read_decimal),
        Column("goods taxed", read_yes),
        Column("labor taxed", read_yes),
        Column("valid from", read_date, first_day),
    ]
    rows, problems = read_table(text, columns)
    if problems:
        raise Problems(problems)
    with transaction(work.session):
        for _, row in rows:
            rule = TaxRule(
                row["place"], Decimal(row["rate percent"]), row["goods taxed"], row["labor taxed"], row["valid from"]
            )
            same = sa.select(TaxRuleRow).where(
                TaxRuleRow.place == rule.place, TaxRuleRow.valid_from == rule.valid_from
            )
            found = work.session.scalar(same)
            if found is None:
                found = TaxRuleRow(place=rule.place, valid_from=rule.valid_from)
                work.session.add(found)
            found.rate_percent = row["rate percent"]
            found.goods_taxed, found.labour_taxed = rule.goods_taxed, rule.labour_taxed
            work.session.flush()
        record(work, "tax rules set", "price book", f"{len(rows)} sales-tax rules set")
    return len(rows)


def set_bench_terms(
    work: Work, valid_from: date, given: Any, seen: str | None = None, why: str = "", *, counted: bool = True
) -> BenchTermsRow:
    """Put the bench's terms on record from a day on; an earlier entry for the same day is replaced.

    `seen`: the mark (`terms_mark`) of all the bench's terms when the page was made; Stale when they have moved on.
    `why` stands in the event. counted: whether what is on the shelf was counted for it, or is as it was.
    """
    work.require_owner()
    terms = BenchTerms.from_json(given)
    with transaction(work.session):
        rows = work.session.scalars(sa.select(BenchTermsRow).order_by(BenchTermsRow.valid_from)).all()
        if seen is not None and seen != terms_mark(rows):
            raise Stale()
        before = next((row.terms for row in reversed(rows) if row.valid_from <= valid_from), None)
        row = next((row for row in rows if row.valid_from == valid_from), None)
        if row is None:
            row = BenchTermsRow(valid_from=valid_from)
            work.session.add(row)
        row.terms = terms.to_json()
        work.session.flush()
        record(
            work,
            BENCH_TERMS_SET,
            "price book",
            f"Bench terms from {valid_from.isoformat()} on{f': {why}' if why else ''}",
            changes=changed_terms(before, terms.to_json()),
            valid_from=valid_from.isoformat(),
            counted=counted,
        )
        return row


@dataclass(frozen=True, slots=True)
class HouseForm:
    """The house's own settings; `paper` Letter or A4, `quote_days` how long a quote is valid.

    second_check: cylinders are checked by somebody else than who pinned them, each one, before a job is checked.
    """

    name: str
    address: str = ""
    phone: str = ""
    email: str = ""
    tax_place: str = ""
    paper: str = "Letter"
    quote_days: int = 30
    exclusions: str = ""
    terms: str = ""
    second_check: bool = False
    least_margin_percent: str = ""  # "" leaves it as it is


def set_house(work: Work, form: HouseForm, version: int | None = None) -> House:
    """Set what stands at the head of the house's papers; version as read, None at the first start."""
    work.require_owner()
    check_lengths(form, {"name": 120, "address": 2000, "phone": 40, "email": 200, "tax_place": 80})
    check_lengths(form, {"exclusions": 4000, "terms": 8000})
    if not form.name.strip():
        raise LedgerError("name", "Enter the house's name.")
    if form.paper not in ("Letter", "A4"):
        raise LedgerError("paper", "Choose Letter or A4.")
    if not 1 <= form.quote_days <= 365:
        raise LedgerError("quote_days", "A quote is valid for 1 to 365 days.")
    if form.least_margin_percent and not read_percent(form.least_margin_percent, "least_margin_percent") < 100:
        raise LedgerError("least_margin_percent", "A margin stays below 100 percent of the price.")
    with transaction(work.session):
        house = work.session.scalar(sa.select(House).order_by(House.id).limit(1))
        if house is None:
            house = House(name=form.name)
            work.session.add(house)
        elif version is not None and house.version != version:
            raise Stale()
        for name, value in asdict(form).items():
            if name != "least_margin_percent" or value:
                setattr(house, name, value)
        work.session.flush()
        record(work, "house set", "house", "The house's settings were set")
        return house
