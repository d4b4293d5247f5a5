"""What the house has settled: the bench's terms by day, its name and what stands on its papers."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import date
from decimal import Decimal
from typing import Any

import sqlalchemy as sa

from app.ledger.catalog.price_queries import changed_terms, terms_mark
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import record
from app.ledger.store.records import check_texts, set_changed
from app.ledger.store.work import Work
from app.ledger.tables import BENCH_TERMS_SET, BenchTermsRow, House
from app.pricing import BenchTerms


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
    least_margin_percent: Decimal | None = None  # None leaves it as it is


def set_house(work: Work, form: HouseForm, version: int | None = None) -> House:
    """Set what stands at the head of the house's papers; version as read, None at the first start."""
    work.require_owner()
    if form.paper not in ("Letter", "A4"):
        raise LedgerError("paper", "Choose Letter or A4.")
    check_texts(form, House)
    if not form.name.strip():
        raise LedgerError("name", "Enter the house's name.")
    if not 1 <= form.quote_days <= 365:
        raise LedgerError("quote_days", "A quote is valid for 1 to 365 days.")
    if form.least_margin_percent is not None and not 0 <= form.least_margin_percent < 100:
        raise LedgerError("least_margin_percent", "A margin stays below 100 percent of the price.")
    with transaction(work.session):
        house = work.session.scalar(sa.select(House).order_by(House.id).limit(1))
        if house is None:
            house = House(name=form.name)
            work.session.add(house)
        elif version is not None and house.version != version:
            raise Stale()
        values = asdict(form)
        least = values.pop("least_margin_percent")
        set_changed(house, values if least is None else {**values, "least_margin_percent": f"{least:f}"})
        work.session.flush()
        record(work, "house set", "house", "The house's settings were set")
        return house
