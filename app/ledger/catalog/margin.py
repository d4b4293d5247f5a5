"""The margin that a price leaves, and the guard that asks before one is too thin."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.tables import House
from app.pricing import half_up, show_cents

LEAST_MARGIN = Decimal(20)
"""Percent of the price: below it the owner is asked to look again, until the house sets its own. No source."""


def least_margin(session: Session) -> Decimal:
    """The house's own least margin in percent."""
    found = session.scalar(sa.select(House.least_margin_percent).order_by(House.id).limit(1))
    return Decimal(found) if found else LEAST_MARGIN


def margin_percent(unit_cents: int, cost_cents: int) -> Decimal | None:
    """What of the price is left after cost, in percent with one decimal; None for a price of nothing.

    >>> margin_percent(1000, 650), margin_percent(500, 600), margin_percent(0, 10)
    (Decimal('35.0'), Decimal('-20.0'), None)
    """
    if unit_cents == 0:
        return None
    tenths = half_up(Fraction(unit_cents - cost_cents, unit_cents) * 1000)
    return Decimal(tenths).scaleb(-1)


def guard(unit_cents: int, cost_cents: int, least: Decimal = LEAST_MARGIN) -> str:
    """The sentence that asks the owner to look again; "" where the margin is wide enough.

    >>> guard(1000, 500), guard(1000, 850)
    ('', 'Only 15.0 % is left after cost; the guard is at 20 %.')
    >>> guard(1000, 850, Decimal(10))
    ''
    >>> guard(500, 600)
    'Below cost: sells at $5.00 what costs $6.00.'
    """
    if unit_cents < cost_cents:
        return f"Below cost: sells at {show_cents(unit_cents)} what costs {show_cents(cost_cents)}."
    margin = margin_percent(unit_cents, cost_cents)
    if margin is not None and margin < least:
        return f"Only {margin} % is left after cost; the guard is at {least.normalize():f} %."
    return ""
