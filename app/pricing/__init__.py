"""PURE. Money, price book, shop or factory, quote totals: whole cents and exact fractions, frozen values.

Knows no database, no web, no other room. `today` is always passed in. Refusals are `BitternError` with a
field, or `Problems` with all of them.
"""

from __future__ import annotations

__all__ = [
    "BREAK_EVEN_LIMIT",
    "MAX_CENTS",
    "ROUNDING_RULE",
    "Adopt",
    "BenchTask",
    "BenchTerms",
    "BookColumn",
    "BreakEven",
    "Choice",
    "ClosedJob",
    "CostLine",
    "CurvePoint",
    "CylinderSource",
    "CylinderType",
    "Decision",
    "DepositRule",
    "Exemption",
    "FactoryTerms",
    "Flip",
    "FreightStep",
    "IssuedQuote",
    "KeyingAsk",
    "KeyingKind",
    "LearnedTime",
    "Lever",
    "LineChange",
    "LineKind",
    "LineStatus",
    "MarginWarning",
    "Mend",
    "MendLine",
    "MissingLineRule",
    "Obstacle",
    "ObstacleCode",
    "PaymentReceived",
    "PriceBasis",
    "PriceBook",
    "PriceChange",
    "PriceRow",
    "PriceRule",
    "PriceRules",
    "PricedLine",
    "QuantityBreak",
    "Question",
    "QuoteFacts",
    "QuoteLine",
    "RecordedTime",
    "RecordsHolder",
    "SplitChoice",
    "SplitDecision",
    "SplitOption",
    "SystemAge",
    "TaxRule",
    "TaxTable",
    "Totals",
    "Way",
    "add_working_days",
    "adopt",
    "book_amount",
    "break_even",
    "compare_price_books",
    "compare_revisions",
    "cost_points",
    "count_working_days",
    "decide",
    "decide_split",
    "factory_way",
    "guard_margin",
    "half_up",
    "is_working_day",
    "learn",
    "least_price",
    "margin_percent",
    "missing_lines",
    "next_working_day",
    "prices_in_force",
    "quantity_steps",
    "read_ask",
    "read_cents",
    "read_missing_line_rules",
    "read_percent",
    "sensitivity",
    "shop_way",
    "show_cents",
    "show_day",
    "total",
    "write_minutes",
]

from app.pricing.ask import CylinderSource, KeyingAsk, RecordsHolder, SystemAge, read_ask
from app.pricing.bench_learning import Adopt, BenchTask, LearnedTime, RecordedTime, adopt, learn
from app.pricing.bench_terms import BenchTerms, write_minutes
from app.pricing.books import BookColumn, ClosedJob, IssuedQuote, PaymentReceived, book_amount
from app.pricing.break_even import BREAK_EVEN_LIMIT, BreakEven, CurvePoint, break_even, cost_points
from app.pricing.costs import CostLine
from app.pricing.decide import Decision, decide
from app.pricing.deposit import DepositRule
from app.pricing.factory_terms import FactoryTerms, FreightStep, QuantityBreak
from app.pricing.kinds import CylinderType, KeyingKind, LineKind
from app.pricing.margin import (
    MarginWarning,
    PriceBasis,
    PriceRule,
    PriceRules,
    guard_margin,
    least_price,
    margin_percent,
)
from app.pricing.missing_lines import (
    Mend,
    MendLine,
    MissingLineRule,
    Question,
    QuoteFacts,
    missing_lines,
    read_missing_line_rules,
)
from app.pricing.money import MAX_CENTS, half_up, read_cents, read_percent, show_cents
from app.pricing.price_book import PriceBook, PriceRow
from app.pricing.price_changes import PriceChange, compare_price_books, prices_in_force, quantity_steps
from app.pricing.revisions import LineChange, LineStatus, compare_revisions
from app.pricing.sensitivity import Flip, Lever, sensitivity
from app.pricing.splits import SplitChoice, SplitDecision, SplitOption, decide_split
from app.pricing.tax import Exemption, TaxRule, TaxTable
from app.pricing.totals import ROUNDING_RULE, PricedLine, QuoteLine, Totals, total
from app.pricing.ways import Choice, Obstacle, ObstacleCode, Way, factory_way, shop_way
from app.pricing.workdays import (
    add_working_days,
    count_working_days,
    is_working_day,
    next_working_day,
    show_day,
)
