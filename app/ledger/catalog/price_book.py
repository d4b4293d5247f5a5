"""The price book as its owner reads it: one line a price, what it is now, what is coming, what it was."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.catalog.price_queries import COMING, NOW, guard, least_margin, margin_percent, place_in_time
from app.ledger.search.ranking import holds
from app.ledger.store.errors import NotFound
from app.ledger.tables import CatalogRow, PriceBookRow
from app.pricing import PriceKind

COLUMNS = (
    *("code", "description", "category", "kind", "price", "cost"),
    *("tier", "quantity from", "valid from", "valid until"),
)


@dataclass(frozen=True, slots=True)
class BookLine:
    """One thing at one tier and quantity: the row that holds now (None: not yet, or ended), those to come, the
    newest first, and those that have been, the newest first."""

    code: str
    tier: str
    quantity_from: int
    now: PriceBookRow | None
    coming: tuple[PriceBookRow, ...]
    past: tuple[PriceBookRow, ...]
    least: Decimal  # the house's least margin in percent

    @property
    def latest(self) -> PriceBookRow:
        """The row to show for the whole line."""
        return self.now or (self.coming or self.past)[0]

    @property
    def margin(self) -> Decimal | None:
        """Percent left after cost of the row to show."""
        return margin_percent(self.latest.unit_cents, self.latest.cost_cents)

    @property
    def guard(self) -> str:
        """Why the owner should look again; "" when nothing is amiss."""
        return guard(self.latest.unit_cents, self.latest.cost_cents, self.least)


@dataclass(frozen=True, slots=True)
class BookPage:
    """One page of the book: (category, its lines) in order, how many lines there are in all."""

    sections: tuple[tuple[str, tuple[BookLine, ...]], ...]
    count: int


def _lines(rows: Sequence[PriceBookRow], today: date, least: Decimal) -> list[BookLine]:
    by_line: dict[tuple[str, str, int], list[tuple[PriceBookRow, str]]] = {}
    for row, state in place_in_time(rows, today, lambda row: (row.code, row.tier, row.quantity_from)):
        by_line.setdefault((row.code, row.tier, row.quantity_from), []).append((row, state))
    lines = []
    for (code, tier, quantity), found in by_line.items():
        found.sort(key=lambda each: each[0].valid_from, reverse=True)
        now = next((row for row, state in found if state == NOW), None)
        coming = tuple(row for row, state in found if state == COMING)
        past = tuple(row for row, state in found if state not in (NOW, COMING))
        lines.append(BookLine(code, tier, quantity, now, coming, past, least))
    return lines


def book_page(
    session: Session, today: date, text: str = "", category: str = "", page: int = 1, size: int = 80
) -> BookPage:
    """The lines whose code, description, category or tier hold every word of `text`, by category and code."""
    rows = sa.select(PriceBookRow).order_by(PriceBookRow.category, PriceBookRow.code, PriceBookRow.id)
    for word in text.split()[:8]:
        columns = (PriceBookRow.code, PriceBookRow.description, PriceBookRow.category, PriceBookRow.tier)
        rows = rows.where(sa.or_(*(holds(column, word) for column in columns)))
    if category:
        rows = rows.where(PriceBookRow.category == category)
    lines = _lines(session.scalars(rows).all(), today, least_margin(session))
    lines.sort(key=lambda line: (line.latest.category, line.code, line.tier, line.quantity_from))
    shown = lines[(page - 1) * size : page * size]
    sections: dict[str, list[BookLine]] = {}
    for line in shown:
        sections.setdefault(line.latest.category, []).append(line)
    return BookPage(tuple((name, tuple(held)) for name, held in sections.items()), len(lines))


def code_lines(session: Session, code: str, today: date) -> tuple[BookLine, ...]:
    """Everything on record about one code, by tier and quantity; NotFound when there is nothing."""
    rows = session.scalars(sa.select(PriceBookRow).where(PriceBookRow.code == code).order_by(PriceBookRow.id)).all()
    if not rows:
        raise NotFound("price")
    return tuple(sorted(_lines(rows, today, least_margin(session)), key=lambda line: (line.tier, line.quantity_from)))


def categories(session: Session) -> Sequence[str]:
    """The categories of the book, by name."""
    return session.scalars(sa.select(PriceBookRow.category).distinct().order_by(PriceBookRow.category)).all()


def ruled_categories(session: Session) -> Sequence[str]:
    """The categories that a price rule may name, the makers' catalogs' and the book's, by name."""
    return sorted({*session.scalars(sa.select(CatalogRow.category).distinct()), *categories(session)})


def next_monday(today: date) -> date:
    """The first Monday after a day, when a new price usually starts.

    >>> next_monday(date(2026, 11, 25))
    datetime.date(2026, 11, 30)
    """
    return today + timedelta(days=7 - today.weekday())


def usual_start(session: Session, today: date) -> date:
    """When a price that is entered today usually starts: today while the book is empty, else next Monday.

    A new house cannot quote before its first prices hold.
    """
    is_empty = session.scalar(sa.select(PriceBookRow.id).limit(1)) is None
    return today if is_empty else next_monday(today)


def export_rows(session: Session) -> Iterator[list[str]]:
    """The whole book as a table of text, its head first; reading it back changes nothing."""
    yield list(COLUMNS)
    order = (PriceBookRow.category, PriceBookRow.code, PriceBookRow.tier, PriceBookRow.quantity_from)
    rows = sa.select(PriceBookRow).order_by(*order, PriceBookRow.valid_from)
    for row in session.scalars(rows):
        yield [
            row.code,
            row.description,
            row.category,
            PriceKind(row.kind).word,
            f"{row.unit_cents // 100}.{row.unit_cents % 100:02d}",
            f"{row.cost_cents // 100}.{row.cost_cents % 100:02d}",
            row.tier,
            str(row.quantity_from),
            row.valid_from.isoformat(),
            row.valid_until.isoformat() if row.valid_until else "",
        ]
