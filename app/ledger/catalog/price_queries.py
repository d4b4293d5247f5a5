"""Questions about prices, tax, the bench's terms and the house itself."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, time
from decimal import Decimal
from fractions import Fraction

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.catalog.dated import place_in_time
from app.ledger.store.errors import NotEntered, NotFound
from app.ledger.tables import (
    BENCH_TERMS_SET,
    BenchTermsRow,
    Event,
    House,
    Job,
    PriceBookRow,
    PriceTier,
    Stage,
    TaxRuleRow,
)
from app.pricing import BenchTerms, LineKind, PriceBook, PriceRow, TaxRule, TaxTable

_NO_BENCH_TERMS = "The bench has no terms yet, so nothing can be quoted; the owner enters them under Price book."
_ADOPTED = re.compile(r": as the last [0-9]+ jobs took$")  # a learned time, as an earlier release's event tells it
_ON_THE_BENCH = (Stage.APPROVED, Stage.PARTS_ON_ORDER, Stage.ON_THE_BENCH)


def find_house(session: Session) -> House | None:
    """The house's own row; None before its settings were first saved."""
    return session.scalar(sa.select(House).order_by(House.id).limit(1))


def get_house(session: Session) -> House:
    """The house's own row; NotFound before the first start."""
    house = find_house(session)
    if house is None:
        raise NotFound("house")
    return house


def price_book(session: Session) -> PriceBook:
    """The whole price book."""
    rows = session.scalars(sa.select(PriceBookRow).order_by(PriceBookRow.id))
    return PriceBook(
        PriceRow(
            code=row.code,
            description=row.description,
            category=row.category,
            kind=LineKind(row.kind),
            unit_cents=row.unit_cents,
            cost_cents=row.cost_cents,
            valid_from=row.valid_from,
            valid_until=row.valid_until,
            tier=row.tier or None,
            quantity_from=row.quantity_from,
        )
        for row in rows
    )


def get_price(session: Session, row_id: int) -> PriceBookRow:
    """One row of the price book; NotFound when there is none."""
    row = session.get(PriceBookRow, row_id)
    if row is None:
        raise NotFound("price")
    return row


def price_beginning(
    session: Session, code: str, tier: str, quantity_from: int, valid_from: date
) -> PriceBookRow | None:
    """The row of a code, tier and quantity that begins on this very day; None when none does."""
    return session.scalar(
        sa.select(PriceBookRow).where(
            PriceBookRow.code == code,
            PriceBookRow.tier == tier,
            PriceBookRow.quantity_from == quantity_from,
            PriceBookRow.valid_from == valid_from,
        )
    )


def tier_percent(session: Session, tier: str) -> Decimal:
    """What a tier takes off list prices, in percent; 0 for no tier and for one that is not on record."""
    if not tier:
        return Decimal(0)
    found = session.scalar(sa.select(PriceTier.percent_off).where(PriceTier.name == tier))
    return Decimal(found) if found else Decimal(0)


def tier_names(session: Session) -> Sequence[str]:
    """The names of the customer tiers."""
    return session.scalars(sa.select(PriceTier.name).order_by(PriceTier.name)).all()


def tax_places(session: Session) -> Sequence[str]:
    """The places that have a sales-tax rule, by name."""
    return session.scalars(sa.select(TaxRuleRow.place).distinct().order_by(TaxRuleRow.place)).all()


def tax_table(session: Session) -> TaxTable:
    """All tax rules."""
    rows = session.scalars(sa.select(TaxRuleRow).order_by(TaxRuleRow.id))
    return TaxTable(
        TaxRule(
            place=row.place,
            rate=Decimal(row.rate_percent),
            goods_taxed=row.goods_taxed,
            labour_taxed=row.labour_taxed,
            valid_from=row.valid_from,
        )
        for row in rows
    )


def bench_terms_row_on(session: Session, day: date) -> BenchTermsRow | None:
    """The row of the bench's terms in force on a day; None before the first."""
    return session.scalar(
        sa.select(BenchTermsRow)
        .where(BenchTermsRow.valid_from <= day)
        .order_by(BenchTermsRow.valid_from.desc())
        .limit(1)
    )


def bench_terms_on(session: Session, day: date) -> BenchTerms:
    """The bench's terms in force on a day, with the minutes that open jobs have promised already."""
    row = bench_terms_row_on(session, day)
    if row is None:
        raise NotEntered(
            "The bench has no terms yet, so nothing can be quoted; the owner enters them under Price book."
        )
    promised = session.scalar(sa.select(sa.func.sum(Job.bench_minutes)).where(Job.stage.in_(_ON_THE_BENCH))) or 0
    terms = BenchTerms.from_json(row.terms)
    return replace(terms, minutes_promised=terms.minutes_promised + Fraction(promised))


def shelf_counted(session: Session, day: date) -> sa.ColumnElement[bool]:
    """Which events came after the shelf was counted whose figures are in force on a day.

    Whoever puts bench terms on record by hand has counted; where it is not known when, as in a house that was
    imported, the first day of the terms is taken.
    """
    row = bench_terms_row_on(session, day)
    if row is None:
        return sa.true()
    counts = session.execute(
        sa.select(Event.id, Event.detail, Event.summary)
        .where(Event.kind == BENCH_TERMS_SET)
        .order_by(Event.id.desc())
    )
    for event_id, detail, summary in counts:
        if (
            detail.get("counted", not _ADOPTED.search(summary))
            and detail.get("valid_from", "") <= row.valid_from.isoformat()
        ):
            newest: int = event_id
            return Event.id > newest
    return Event.at >= datetime.combine(row.valid_from, time()).astimezone()


def dated_bench_terms(session: Session, today: date) -> list[tuple[BenchTermsRow, str]]:
    """Every set of bench terms with now, coming or past, the newest first."""
    rows = session.scalars(sa.select(BenchTermsRow).order_by(BenchTermsRow.valid_from.desc())).all()
    return place_in_time(rows, today, lambda row: "bench")
