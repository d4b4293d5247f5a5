"""Which tables a house is moved by, and which of their columns; what is secret or belongs to jobs stays out."""

from __future__ import annotations

__all__ = ["EVENT_CHAIN", "TABLES", "MovedTable", "table_named"]

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import sqlalchemy as sa

from app.errors import BitternError
from app.fitting import read_maker
from app.keying import BittingSpec
from app.ledger import models as m
from app.ledger.customers.actions import phone_digits
from app.ledger.quote_rules.models import QuoteRules
from app.pricing import BenchTerms, FactoryTerms

EVENT_CHAIN = "event chain"  # the counter that belongs to a house's own story
_NEVER = frozenset({"version", "job_id", "line_number", "phone_digits", "sealed_plan"})


@dataclass(frozen=True, slots=True)
class MovedTable:
    """A table that is moved: its name in the export, its rows' model, and what a row means beyond its columns.

    `is_setting`: a row that reads differently here is brought to what the file says. `check` raises BitternError
    on a row's values; `derive` gives the columns that are worked out from the others.
    """

    name: str
    model: type[m.Base]
    what: str
    is_setting: bool = False
    check: Callable[[Mapping[str, Any]], object] | None = None
    derive: Callable[[Mapping[str, Any]], Mapping[str, Any]] = field(default=lambda row: {})

    @property
    def table(self) -> sa.Table:
        """The database's table."""
        table: sa.Table = self.model.__table__  # type: ignore[assignment]  # declared wider than it is
        return table

    @property
    def columns(self) -> tuple[sa.Column[Any], ...]:
        """The columns that are moved: never sealed bytes, never what hangs on jobs or people."""
        return tuple(
            column
            for column in self.table.columns
            if column.name not in _NEVER and not isinstance(column.type, sa.LargeBinary)
        )

    @property
    def titles(self) -> tuple[str, ...]:
        """The columns' names in the export."""
        return tuple(_title(column.name) for column in self.columns)

    @property
    def key(self) -> sa.Column[Any]:
        """What tells one row from another."""
        return next(iter(self.table.primary_key.columns))


def _title(name: str) -> str:
    if name == "id":
        return "number"
    return (name[:-3] + " number" if name.endswith("_id") else name).replace("_", " ")


def _digits(row: Mapping[str, Any]) -> Mapping[str, Any]:
    return {"phone_digits": phone_digits(row["phone"])}


def _maker(row: Mapping[str, Any]) -> object:
    if not isinstance(row["tables"], dict):
        raise BitternError("tables", "A maker's tables are one JSON object.")
    return read_maker({**row["tables"], "items": []}) if row["tables"] else None


def _bench_terms(row: Mapping[str, Any]) -> object:
    return BenchTerms.from_json(row["terms"])


def _factory_terms(row: Mapping[str, Any]) -> object:
    return FactoryTerms.from_json(row["terms"])


def _spec(row: Mapping[str, Any]) -> object:
    return BittingSpec.from_json(row["spec"])


# In an order in which each table's rows find those that they point to.
TABLES = (
    MovedTable("house", m.House, "what stands at the head of the papers", is_setting=True),
    MovedTable("quote rules", QuoteRules, "what the house settled about its quotes", is_setting=True),
    MovedTable("last numbers", m.Counter, "the last job and receipt number given out", is_setting=True),
    MovedTable("tiers", m.PriceTier, "customer tiers"),
    MovedTable("tax rules", m.TaxRuleRow, "sales tax by place and day"),
    MovedTable("prices", m.PriceBookRow, "the price book, with what was and what is to come"),
    MovedTable("bench terms", m.BenchTermsRow, "what keying on the bench takes", check=_bench_terms),
    MovedTable(
        "bitting specs", m.SpecRow, "depths and spacings", check=lambda row: BittingSpec.from_json(row["spec"])
    ),
    MovedTable("pin stock", m.PinStock, "pins on the bench"),
    MovedTable("makers", m.Maker, "each maker's tables", check=_maker),
    MovedTable("keyways", m.Keyway, "keyways and the spec they are cut to"),
    MovedTable("catalogue", m.CatalogueItem, "the makers' items"),
    MovedTable("factory terms", m.FactoryTermsRow, "what the makers charge for keying", check=_factory_terms),
    MovedTable("customers", m.Customer, "customers", derive=_digits),
    MovedTable("contacts", m.Contact, "the people at customers'", derive=_digits),
    MovedTable("sites", m.Site, "places with doors"),
    MovedTable("key systems", m.KeySystem, "key systems, without bittings and plans"),
    MovedTable("keysets", m.Keyset, "symbols and their levels, without bittings"),
    MovedTable("doors", m.Door, "openings"),
    MovedTable("locks", m.Lock, "what is in the doors"),
    MovedTable("cylinders", m.Cylinder, "every cylinder that was ever on record, by position and keyset"),
    MovedTable("operated by", m.CylinderOperator, "further keysets that operate a cross-keyed cylinder"),
    MovedTable("keys", m.Key, "the register of keys: copies, holders, what is out"),
)


def table_named(name: str) -> MovedTable | None:
    """The table of this name in an export; None when no export has it."""
    return next((one for one in TABLES if one.name == name), None)
