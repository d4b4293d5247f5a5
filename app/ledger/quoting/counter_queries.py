"""Questions that the counter page asks while somebody types."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.catalog.maker_queries import spellings
from app.ledger.tables import CatalogRow, PriceBookRow, QuoteRevision, TaxRuleRow

_MOST_ASKED = 10_000  # SQLite takes 32,766 values in one question


@dataclass(frozen=True, slots=True)
class PriceEntry:
    """Something in the price book that a line can name. `kind`: goods or labor."""

    code: str
    description: str
    category: str
    kind: str


def price_entries(session: Session, on: date) -> Sequence[PriceEntry]:
    """Every code with a price that holds on a day, once, by category and description."""
    rows = session.execute(
        sa.select(
            PriceBookRow.code,
            sa.func.min(PriceBookRow.description),
            sa.func.min(PriceBookRow.category),
            sa.func.min(PriceBookRow.kind),
        )
        .where(
            PriceBookRow.valid_from <= on,
            sa.or_(PriceBookRow.valid_until.is_(None), PriceBookRow.valid_until >= on),
        )
        .group_by(PriceBookRow.code)
    )
    return sorted((PriceEntry(*row) for row in rows), key=lambda entry: (entry.category, entry.description))


def plain_numbers(session: Session, typed: Collection[str]) -> set[str]:
    """Which of the typed part numbers are catalog items that are no cylinders; in capitals."""
    wanted = sorted({way for number in typed for way in spellings(number.strip())})
    found: set[str] = set()
    column = CatalogRow.part_number
    for start in range(0, len(wanted), _MOST_ASKED):
        part = column.in_(wanted[start : start + _MOST_ASKED])
        rows = session.scalars(sa.select(column).where(part, CatalogRow.category != "cylinder"))
        found |= {number.upper() for number in rows}
    return found


def tax_places(session: Session) -> Sequence[str]:
    """The places with a tax rule, by name."""
    return session.scalars(sa.select(TaxRuleRow.place).distinct().order_by(TaxRuleRow.place)).all()


def is_issued(session: Session, token: str) -> bool:
    """Whether a quote was issued from the page with this token already."""
    return session.scalar(sa.select(QuoteRevision.id).where(QuoteRevision.request_token == token)) is not None
