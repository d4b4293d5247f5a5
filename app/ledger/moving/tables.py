"""Which tables a house is moved by, and which of their columns; what is secret stays out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import sqlalchemy as sa

from app.errors import Problem
from app.ledger import tables as m
from app.ledger.moving import checks, job_checks
from app.ledger.moving.exported_events import check_told
from app.ledger.sites.customers import phone_digits
from app.ledger.tables import QuoteRules

EVENT_CHAIN = "event chain"  # the counter that belongs to a house's own story
# Tables that no export has, and why; a new table is put here or into TABLES.
LEFT_OUT = {
    "users": "passwords",
    "logins": "passwords",
    "login_attempts": "passwords",
    "login_rules": "passwords",
    "bittings": "secret",
    "vault_checks": "secret",
    "house_identity": "each house has its own",
    "drafts": "typed and not saved",
    "job_files": "pictures and papers are no text; the backup has them",
}
_NEVER = frozenset({"version", "phone_digits", "sealed_plan", "request_token"})
_PEOPLE = m.User.__tablename__


@dataclass(frozen=True, slots=True)
class MovedTable:
    """A table that is moved: its name in the export, its rows' model, and what a row means beyond its columns.

    `is_setting`: a row that reads differently here is brought to what the file says. `is_story`: rows are events;
    they are numbered anew, and chained anew where they go in. `check` raises BitternError on a row's values, people
    by name; `derive` gives the columns that are worked out from the others.
    """

    name: str
    model: type[m.Base]
    what: str
    is_setting: bool = False
    is_story: bool = False
    check: Callable[[Mapping[str, Any]], object] | None = None
    derive: Callable[[Mapping[str, Any]], Mapping[str, Any]] = field(default=lambda row: {})

    @property
    def table(self) -> sa.Table:
        """The database's table."""
        table: sa.Table = self.model.__table__  # type: ignore[assignment]  # declared wider than it is
        return table

    @property
    def columns(self) -> tuple[sa.Column[Any], ...]:
        """The columns that are moved: never sealed bytes or hashes of the house's own chain."""
        return _columns(self.table)

    @property
    def titles(self) -> tuple[str, ...]:
        """The columns' names in the export."""
        return _titles(self.table)

    @property
    def links(self) -> tuple[tuple[str, str], ...]:
        """The columns that point to a row of a table, each with that table's name in the database; none to people."""
        return tuple(one for one in _links(self.table) if one[1] != _PEOPLE)

    @property
    def people(self) -> tuple[str, ...]:
        """The columns that name a person: logins are not moved, so no row of one can be pointed to."""
        return tuple(name for name, target in _links(self.table) if target == _PEOPLE)

    @property
    def key(self) -> sa.Column[Any]:
        """What tells one row from another."""
        return next(iter(self.table.primary_key.columns))

    def problem(self, number: int, column: str, message: str) -> Problem:
        """What is wrong with a cell, by the table, the row in the file and the column's title."""
        titles = {one.name: title for one, title in zip(self.columns, self.titles, strict=True)}
        return Problem(f"{self.name}, row {number}, {titles.get(column, column)}", message)


@cache
def _columns(table: sa.Table) -> tuple[sa.Column[Any], ...]:
    return tuple(
        column
        for column in table.columns
        if column.name not in _NEVER and not isinstance(column.type, sa.LargeBinary)
    )


@cache
def _titles(table: sa.Table) -> tuple[str, ...]:
    people = {name for name, target in _links(table) if target == _PEOPLE}
    names = [one.name.removesuffix("_id") if one.name in people else one.name for one in _columns(table)]
    return tuple(map(_title, names))


@cache
def _links(table: sa.Table) -> tuple[tuple[str, str], ...]:
    return tuple((column.name, link.column.table.name) for column in _columns(table) for link in column.foreign_keys)


def _title(name: str) -> str:
    if name == "id":
        return "row"
    return (name[:-3] + " row" if name.endswith("_id") else name).replace("_", " ")


def _digits(row: Mapping[str, Any]) -> Mapping[str, Any]:
    return {"phone_digits": phone_digits(row["phone"])}


def _token(row: Mapping[str, Any]) -> Mapping[str, Any]:
    # What tied the quote to one press of a button has done its work; no page asks for this one again.
    return {"request_token": f"moved {row['job_id']}-{row['revision']}"}


# In an order in which each table's rows find those that they point to.
TABLES = (
    MovedTable("house", m.House, "what stands at the head of the papers", is_setting=True, check=checks.check_house),
    MovedTable(
        "quote rules",
        QuoteRules,
        "what the house settled about its quotes",
        is_setting=True,
        check=checks.check_quote_rules,
    ),
    MovedTable("last numbers", m.Counter, "the last job and receipt number given out", is_setting=True),
    MovedTable("tiers", m.PriceTier, "customer tiers", check=checks.check_tier),
    MovedTable("tax rules", m.TaxRuleRow, "sales tax by place and day", check=checks.check_tax_rule),
    MovedTable("prices", m.PriceBookRow, "the price book, by day", check=checks.check_price),
    MovedTable("price rules", m.PriceRuleRow, "prices by rule", check=checks.check_price_rule),
    MovedTable("bench terms", m.BenchTermsRow, "what keying on the bench takes", check=checks.check_bench_terms),
    MovedTable("bitting specs", m.SpecRow, "depths and spacings", check=checks.check_spec),
    MovedTable("pin stock", m.PinStock, "pins on the bench"),
    MovedTable("makers", m.Maker, "each maker's tables", check=checks.check_maker),
    MovedTable("keyways", m.Keyway, "keyways and the spec they are cut to"),
    MovedTable("catalogue", m.CatalogRow, "the makers' items", check=checks.check_item),
    MovedTable("factory terms", m.FactoryTermsRow, "what makers charge for keying", check=checks.check_factory_terms),
    MovedTable("customers", m.Customer, "customers", derive=_digits),
    MovedTable("contacts", m.Contact, "the people at customers'", derive=_digits),
    MovedTable("sites", m.Site, "places with doors"),
    MovedTable("jobs", m.Job, "every job and its stage", check=job_checks.check_job),
    MovedTable("job lines", m.JobLine, "the lines of accepted quotes", check=job_checks.check_line),
    MovedTable(
        "quotes",
        m.QuoteRevision,
        "quotes as issued, frozen, each with the SHA-256 of its words",
        check=job_checks.check_quote,
        derive=_token,
    ),
    MovedTable("payments", m.Payment, "money received and given back", check=job_checks.check_payment),
    MovedTable("bench times", m.BenchTimeRow, "what the bench's work took", check=job_checks.check_bench_time),
    MovedTable("key systems", m.KeySystem, "key systems, without bittings and plans"),
    MovedTable("keysets", m.Keyset, "symbols and their levels, without bittings"),
    MovedTable("doors", m.Door, "openings", check=checks.check_door),
    MovedTable("locks", m.Lock, "what is in the doors"),
    MovedTable("cylinders", m.Cylinder, "every cylinder that was ever on record, by position and keyset"),
    MovedTable("operated by", m.CylinderOperator, "further keysets that operate a cross-keyed cylinder"),
    MovedTable("keys", m.Key, "the register of keys: copies, holders, what is out"),
    MovedTable("story", m.Event, "what happened to jobs and keys: when, who, what", is_story=True, check=check_told),
)


def table_named(name: str) -> MovedTable | None:
    """The table of this name in an export; None when no export has it."""
    return next((one for one in TABLES if one.name == name), None)
