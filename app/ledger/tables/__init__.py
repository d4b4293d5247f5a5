"""Column types and every table of the house, a noun a module; one import makes the whole metadata known."""

from app.ledger.tables.base import Base, Inches, LongText, UTCDateTime, Versioned, choice, longest
from app.ledger.tables.customers import Contact, Customer, Site
from app.ledger.tables.doors import Cylinder, CylinderOperator, CylinderState, Door, Lock
from app.ledger.tables.events import Counter, Event, HouseIdentity, VaultCheck
from app.ledger.tables.files import FileKind, JobFile
from app.ledger.tables.jobs import (
    LATE_STAGES,
    MOVES,
    ON_ACCOUNT,
    Draft,
    Job,
    JobLine,
    LineKind,
    Payment,
    QuoteRevision,
    Stage,
)
from app.ledger.tables.keysystems import Bitting, Key, Keyset, KeyState, KeySystem, Level
from app.ledger.tables.makers import CatalogRow, FactoryTermsRow, Keyway, Maker, SpecRow
from app.ledger.tables.pins import PinStock
from app.ledger.tables.prices import (
    BENCH_TERMS_SET,
    BenchTermsRow,
    BenchTimeRow,
    House,
    PriceBookRow,
    PriceRuleRow,
    PriceTier,
    TaxRuleRow,
)
from app.ledger.tables.quote_rules import MAIL_SUBJECT, MAIL_TEXT, QuoteRules
from app.ledger.tables.users import Login, LoginAttempt, LoginRulesRow, Role, User

__all__ = [
    "BENCH_TERMS_SET",
    "LATE_STAGES",
    "MAIL_SUBJECT",
    "MAIL_TEXT",
    "MOVES",
    "ON_ACCOUNT",
    "Base",
    "BenchTermsRow",
    "BenchTimeRow",
    "Bitting",
    "CatalogRow",
    "Contact",
    "Counter",
    "Customer",
    "Cylinder",
    "CylinderOperator",
    "CylinderState",
    "Door",
    "Draft",
    "Event",
    "FactoryTermsRow",
    "FileKind",
    "House",
    "HouseIdentity",
    "Inches",
    "Job",
    "JobFile",
    "JobLine",
    "Key",
    "KeyState",
    "KeySystem",
    "Keyset",
    "Keyway",
    "Level",
    "LineKind",
    "Lock",
    "Login",
    "LoginAttempt",
    "LoginRulesRow",
    "LongText",
    "Maker",
    "Payment",
    "PinStock",
    "PriceBookRow",
    "PriceRuleRow",
    "PriceTier",
    "QuoteRevision",
    "QuoteRules",
    "RecordsHolder",
    "Role",
    "Site",
    "SpecRow",
    "Stage",
    "TaxRuleRow",
    "UTCDateTime",
    "User",
    "VaultCheck",
    "Versioned",
    "choice",
    "longest",
]
from app.pricing import RecordsHolder
