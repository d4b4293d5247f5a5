"""PURE. Money, price book, shop or factory, quote totals: whole cents and exact fractions, frozen values.

Knows no database, no web, no other room. `today` is always passed in. Refusals are `BitternError` with a
field, or `Problems` with all of them.
"""

__all__ = [
    "AGE_CLASSES",
    "BREAK_EVEN_LIMIT",
    "MAX_CENTS",
    "NO_DISCOUNT",
    "SMALL_ORDER",
    "Adopt",
    "BenchTask",
    "BenchTerms",
    "CylinderSource",
    "CylinderType",
    "Dating",
    "Decision",
    "DepositRule",
    "Discount",
    "Exemption",
    "FactoryTerms",
    "KeyingKind",
    "KeyingRequest",
    "KeyingWay",
    "LearnedTime",
    "LineChange",
    "LineStatus",
    "LoadDay",
    "Mend",
    "MendLine",
    "MissingLineRule",
    "MoneyRules",
    "Obstacle",
    "ObstacleCode",
    "PaymentTerms",
    "Place",
    "PriceBasis",
    "PriceBook",
    "PriceKind",
    "PriceRow",
    "PriceRule",
    "PriceRules",
    "PricedLine",
    "QuoteFacts",
    "RecordedTime",
    "RecordsHolder",
    "SplitChoice",
    "SplitDecision",
    "SplitOption",
    "Supply",
    "SystemAge",
    "TaxCents",
    "TaxRounding",
    "TaxRule",
    "TaxTable",
    "Totals",
    "Urgency",
    "UseOrder",
    "add_working_days",
    "adopt",
    "bench_load",
    "bench_ready",
    "break_even",
    "compare_revisions",
    "cost_points",
    "count_working_days",
    "decide",
    "decide_split",
    "done_on",
    "early_discount",
    "find_flips",
    "find_missing_lines",
    "half_up",
    "is_working_day",
    "learn",
    "next_working_day",
    "read_cents",
    "read_missing_line_rules",
    "read_percent",
    "read_request",
    "restocking_cents",
    "settled_by",
    "share_payment",
    "shop_way",
    "show_cents",
    "show_day",
    "show_hours",
    "terms_sentences",
    "total",
    "write_minutes",
]

from app.pricing.bench_learning import Adopt, BenchTask, LearnedTime, RecordedTime, adopt, learn
from app.pricing.costs import BREAK_EVEN_LIMIT, SMALL_ORDER, break_even, cost_points
from app.pricing.deciding import Decision, decide
from app.pricing.load import LoadDay, bench_load, done_on
from app.pricing.missing_lines import (
    Mend,
    MendLine,
    MissingLineRule,
    QuoteFacts,
    find_missing_lines,
    read_missing_line_rules,
)
from app.pricing.money import MAX_CENTS, half_up, read_cents, read_percent, show_cents
from app.pricing.price_book import PriceBasis, PriceBook, PriceRow, PriceRule, PriceRules
from app.pricing.request import CylinderSource, KeyingRequest, RecordsHolder, Supply, SystemAge, Urgency, read_request
from app.pricing.sensitivity import find_flips
from app.pricing.splits import SplitChoice, SplitDecision, SplitOption, decide_split
from app.pricing.tax_rounding import TaxCents, TaxRounding
from app.pricing.terms import BenchTerms, CylinderType, FactoryTerms, KeyingKind, PriceKind, write_minutes
from app.pricing.terms_of_payment import (
    AGE_CLASSES,
    Dating,
    MoneyRules,
    PaymentTerms,
    UseOrder,
    early_discount,
    restocking_cents,
    settled_by,
    share_payment,
    terms_sentences,
)
from app.pricing.totals import (
    NO_DISCOUNT,
    DepositRule,
    Discount,
    Exemption,
    LineChange,
    LineStatus,
    PricedLine,
    TaxRule,
    TaxTable,
    Totals,
    compare_revisions,
    total,
)
from app.pricing.ways import KeyingWay, Obstacle, ObstacleCode, Place, bench_ready, shop_way, show_hours
from app.pricing.workdays import add_working_days, count_working_days, is_working_day, next_working_day, show_day
