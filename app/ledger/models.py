"""Every table of the ledger, so that one import makes the whole metadata known."""

from app.ledger.base import Base
from app.ledger.customers.models import Contact, Customer, Site
from app.ledger.doors.models import Cylinder, CylinderOperator, CylinderState, Door, Lock
from app.ledger.events.models import Counter, Event, HouseIdentity, VaultCheck
from app.ledger.files.models import FileKind, JobFile
from app.ledger.jobs.models import Draft, Job, JobLine, Payment, QuoteRevision, Stage
from app.ledger.keysystems.models import (
    Bitting,
    Key,
    Keyset,
    KeyState,
    KeySystem,
    Level,
    RecordsHolder,
)
from app.ledger.makers.models import CatalogueItem, FactoryTermsRow, Keyway, Maker, SpecRow
from app.ledger.pins.models import PinStock
from app.ledger.prices.models import (
    BenchTermsRow,
    BenchTimeRow,
    House,
    PriceBookRow,
    PriceRuleRow,
    PriceTier,
    TaxRuleRow,
)
from app.ledger.quote_rules.models import QuoteRules
from app.ledger.users.models import Login, LoginAttempt, LoginRulesRow, Role, User

__all__ = [
    "Base",
    "BenchTermsRow",
    "BenchTimeRow",
    "Bitting",
    "CatalogueItem",
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
    "Job",
    "JobFile",
    "JobLine",
    "Key",
    "KeyState",
    "KeySystem",
    "Keyset",
    "Keyway",
    "Level",
    "Lock",
    "Login",
    "LoginAttempt",
    "LoginRulesRow",
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
    "User",
    "VaultCheck",
]
