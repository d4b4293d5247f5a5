"""PURE. Money, price book, shop or factory, quote totals: whole cents and exact fractions, frozen values.

Knows no database, no web, no other room. `today` is always passed in. Refusals are `BitternError` with a
field, or `Problems` with all of them.
"""

from __future__ import annotations

__all__ = [
    "BREAK_EVEN_LIMIT",
    "MAX_CENTS",
    "ROUNDING_RULE",
    "BenchTerms",
    "BreakEven",
    "Choice",
    "CostLine",
    "CurvePoint",
    "CylinderSource",
    "CylinderType",
    "Decision",
    "Exemption",
    "FactoryTerms",
    "FreightStep",
    "KeyingAsk",
    "KeyingKind",
    "LineKind",
    "Obstacle",
    "ObstacleCode",
    "PriceBook",
    "PriceRow",
    "PricedLine",
    "QuantityBreak",
    "QuoteLine",
    "Reader",
    "RecordsHolder",
    "SystemAge",
    "TaxRule",
    "TaxTable",
    "Totals",
    "Way",
    "add_working_days",
    "break_even",
    "cost_points",
    "count_working_days",
    "decide",
    "half_up",
    "is_working_day",
    "next_working_day",
    "read_ask",
    "read_cents",
    "read_percent",
    "show_cents",
    "show_day",
    "total",
]

from app.pricing.ask import CylinderSource, KeyingAsk, RecordsHolder, SystemAge, read_ask
from app.pricing.bench_terms import BenchTerms
from app.pricing.break_even import BREAK_EVEN_LIMIT, BreakEven, CurvePoint, break_even, cost_points
from app.pricing.costs import CostLine
from app.pricing.decide import Decision, decide
from app.pricing.factory_terms import FactoryTerms, FreightStep, QuantityBreak
from app.pricing.kinds import CylinderType, KeyingKind, LineKind
from app.pricing.money import MAX_CENTS, half_up, read_cents, read_percent, show_cents
from app.pricing.price_book import PriceBook, PriceRow
from app.pricing.reading import Reader
from app.pricing.tax import Exemption, TaxRule, TaxTable
from app.pricing.totals import ROUNDING_RULE, PricedLine, QuoteLine, Totals, total
from app.pricing.ways import Choice, Obstacle, ObstacleCode, Way
from app.pricing.workdays import (
    add_working_days,
    count_working_days,
    is_working_day,
    next_working_day,
    show_day,
)
