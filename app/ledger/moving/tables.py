"""Which tables a house is moved by, and which of their columns; what is secret stays out."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import sqlalchemy as sa

from app.errors import BitternError, Problem
from app.fitting import from_json, read_maker
from app.keying import BittingSpec
from app.ledger import tables as m
from app.ledger.catalog.maker_items import columns_of, kind_of
from app.ledger.money.payments import MEANS_ON_RECORD
from app.ledger.moving import row_checks
from app.ledger.moving.exported_events import check_event
from app.ledger.moving.row_checks import Check, at_least, cents, json_object, one_of, percent, require
from app.ledger.quoting.snapshot import OPTIONS
from app.ledger.sites.customers import phone_digits
from app.ledger.sites.door_paste import HANDS
from app.pricing import BenchTerms, Dating, FactoryTerms, MoneyRules, Urgency

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
    "pin_draws": "secret",
    "sold_lines": "made from the quotes",
    "imports": "undone in the house that took them in",
    "import_mappings": "found anew with the next table",
    **dict.fromkeys(("hand_overs", "handed_lines"), "made from the story"),
    "deletions": "of this house's own story",
    "replaced_texts": "sealed",
    "job_files": "pictures and papers are no text; the backup has them",
    **dict.fromkeys(
        ("maker_papers", "maker_paper_pages", "page_notes", "maker_pictures"),
        "pictures and PDFs; the backup has them",
    ),
}
_NEVER = frozenset(
    {"version", "is_counted", "phone_digits", "sealed_plan", "sealed_pins", "request_token", "import_id"}
)
_PEOPLE = m.User.__tablename__


@dataclass(frozen=True)
class MovedTable:
    """A table that is moved: its name in the export, its rows' model, and what a row means beyond its columns.

    `is_setting`: a row that reads differently here is brought to what the file says. `is_story`: rows are events;
    they are numbered anew, and chained anew where they go in. `derive` gives the columns that are worked out from
    the others. former_name, former_titles, gone_titles: as exports of the first release have the table, its columns
    and those that stand elsewhere by now. former_values: what a row of an earlier release says in other columns.
    """

    name: str
    model: type[m.Base]
    what: str
    checks: tuple[Check, ...] = ()
    is_setting: bool = False
    is_story: bool = False
    former_name: str = ""
    former_titles: Mapping[str, str] = field(default_factory=dict)
    gone_titles: tuple[str, ...] = ()
    derive: Callable[[Mapping[str, Any]], Mapping[str, Any]] = field(default=lambda row: {})
    former_values: Callable[[Mapping[str, Any]], Mapping[str, Any]] = field(default=lambda row: {})

    @property
    def table(self) -> sa.Table:
        """The database's table."""
        table: sa.Table = self.model.__table__  # type: ignore[assignment]  # declared wider than it is
        return table

    @cached_property
    def columns(self) -> tuple[sa.Column[Any], ...]:
        """The columns that are moved: never sealed bytes or hashes of the house's own chain."""
        return tuple(
            column
            for column in self.table.columns
            if column.name not in _NEVER and not isinstance(column.type, sa.LargeBinary)
        )

    @cached_property
    def titles(self) -> tuple[str, ...]:
        """The columns' names in the export."""
        return tuple(
            _title(one.name.removesuffix("_id") if one.name in self.people else one.name) for one in self.columns
        )

    @cached_property
    def links(self) -> tuple[tuple[str, str], ...]:
        """The columns that point to a row of a table, each with that table's name in the database; none to people."""
        return tuple(one for one in self._links if one[1] != _PEOPLE)

    @cached_property
    def people(self) -> tuple[str, ...]:
        """The columns that name a person: logins are not moved, so no row of one can be pointed to."""
        return tuple(name for name, target in self._links if target == _PEOPLE)

    @property
    def _links(self) -> list[tuple[str, str]]:
        return [(column.name, link.column.table.name) for column in self.columns for link in column.foreign_keys]

    @property
    def key(self) -> sa.Column[Any]:
        """What tells one row from another."""
        return next(iter(self.table.primary_key.columns))

    @cached_property
    def defaults(self) -> dict[str, Any]:
        """What stands in a column that a file, such as an earlier release's, does not have."""
        return {column.name: _default(column) for column in self.columns}

    def problem(self, number: int, column: str, message: str) -> Problem:
        """What is wrong with a cell, by the table, the row in the file and the column's title."""
        titles = {one.name: title for one, title in zip(self.columns, self.titles, strict=True)}
        return Problem(f"{self.name}, row {number}, {titles.get(column, column)}", message)

    def row_problems(self, number: int, values: Mapping[str, Any]) -> list[Problem]:
        """Everything that the checks of this table refuse in a row's values, people by name."""
        row = {**self.defaults, **values}
        found: list[Problem] = []
        for check in self.checks:
            try:
                check(row)
            except BitternError as error:
                found += [self.problem(number, one.field, one.message) for one in error.problems]
        return found


def _title(name: str) -> str:
    if name in ("id", "row"):  # a row's own number first
        return "row" if name == "id" else "row of the list"
    return (name[:-3] + " row" if name.endswith("_id") else name).replace("_", " ")


def _default(column: sa.Column[Any]) -> Any:
    default: Any = column.default
    if default is None:
        return None
    return default.arg(None) if default.is_callable else default.arg


def _digits(row: Mapping[str, Any]) -> Mapping[str, Any]:
    return {"phone_digits": phone_digits(row.get("phone", ""))}


def _of_catalog(row: Mapping[str, Any]) -> Mapping[str, Any]:
    """What an item is, of which an earlier export has the category alone."""
    if "kind" in row:
        return {}
    said = {"cylinder_type": "", "finish": "", **columns_of(row.get("attributes") or {})}
    return {"kind": kind_of(row["category"], row["code"], row["words"], ()), **said}


def _holder_digits(row: Mapping[str, Any]) -> Mapping[str, Any]:
    return {"phone_digits": phone_digits(row.get("holder_phone", ""))}


def _out_of_purpose(row: Mapping[str, Any]) -> Mapping[str, Any]:
    """What became of a keyset and how many carry its key, which earlier releases kept as words of its purpose."""
    if "is_retired" in row or not row.get("purpose"):
        return {}
    marks = row["purpose"].split(", ")
    words = [word for word in marks if word not in (m.CUT_SO, m.RETIRED)]
    is_said = bool(row.get("own_symbol") or row.get("is_customers_key") or row["level"].takes_cores_out)
    return {
        "purpose": ", ".join(words),
        "carriers": 0 if is_said else len(words),
        "is_retired": m.RETIRED in marks,
        "is_really_cut_so": m.CUT_SO in marks,
    }


def _token(row: Mapping[str, Any]) -> Mapping[str, Any]:
    # What tied the quote to one press of a button has done its work; no page asks for this one again.
    return {"request_token": f"moved {row['job_id']}-{row['revision']}"}


def _invoice_token(row: Mapping[str, Any]) -> Mapping[str, Any]:
    return {"request_token": f"moved invoice {row['number']}"}


def _account_token(row: Mapping[str, Any]) -> Mapping[str, Any]:
    return {"request_token": f"moved payment {row['number']}"}


# In an order in which each table's rows find those that they point to.
TABLES = (
    MovedTable(
        "house",
        m.House,
        "what stands at the head of the papers",
        (
            one_of("paper", ("Letter", "A4")),
            percent("least_margin_percent"),
            at_least("keep_years", 0, "Enter whole years."),
        ),
        is_setting=True,
    ),
    MovedTable(
        "quote rules",
        m.QuoteRules,
        "what the house settled about its quotes",
        (
            percent("deposit_percent"),
            percent("most_off_percent"),
            require("questions_off", lambda value: isinstance(value, list), "These are one JSON list."),
        ),
        is_setting=True,
    ),
    MovedTable("last numbers", m.Counter, "the last job and receipt number given out", is_setting=True),
    MovedTable(
        "tiers",
        m.PriceTier,
        "customer tiers and their terms of payment",
        (percent("percent_off"), percent("cash_percent"), one_of("dating", Dating)),
    ),
    MovedTable("tax rules", m.TaxRuleRow, "sales tax by place and day", (row_checks.check_tax_rule,)),
    MovedTable(
        "money rules",
        m.MoneyRulesRow,
        "the house's rules about money, by day",
        (lambda row: MoneyRules.from_json(row["terms"]),),
    ),
    MovedTable("deciding days", m.DecidingDayRow, "which day decides a quote's tax and prices"),
    MovedTable(
        "prices",
        m.PriceBookRow,
        "what items cost, by day",
        (row_checks.check_price,),
        gone_titles=("description", "category", "kind"),
    ),
    MovedTable("price rules", m.PriceRuleRow, "prices by rule", (row_checks.check_price_rule,)),
    MovedTable(
        "bench terms",
        m.BenchTermsRow,
        "what keying on the bench takes",
        (lambda row: BenchTerms.from_json(row["terms"]),),
    ),
    MovedTable(
        "bitting specs", m.SpecRow, "depths and spacings", (lambda row: BittingSpec.from_json(row["spec"], "spec"),)
    ),
    MovedTable(
        "makers",
        m.Maker,
        "each maker's tables",
        (
            json_object(
                "tables", "A maker's tables are one JSON object.", lambda given: read_maker({**given, "items": []})
            ),
        ),
    ),
    MovedTable("keyways", m.Keyway, "keyways and the spec they are cut to", gone_titles=("is restricted",)),
    MovedTable(
        "items",
        m.Item,
        "what makers sell, what the house sells and does, with its bin and when it is ordered anew",
        (
            json_object("attributes", "A cylinder's attributes are one JSON object.", from_json),
            at_least("cost_cents", 0, "Enter whole cents, 0 or more."),
            at_least("pack_size", 1, "Enter a whole number, 1 or more."),
            row_checks.check_item,
        ),
        former_name="catalogue",
        former_titles={"part number": "code", "description": "words"},
        derive=_of_catalog,
    ),
    MovedTable(
        "item prices",
        m.ItemPrice,
        "list and cost of items from a later day on",
        (cents("list_cents"), cents("cost_cents")),
    ),
    MovedTable(
        "factory terms",
        m.FactoryTermsRow,
        "what makers charge for keying",
        (lambda row: FactoryTerms.from_json(row["terms"]),),
    ),
    MovedTable("stock places", m.StockPlace, "where goods lie", is_setting=True),
    MovedTable("customers", m.Customer, "customers", derive=_digits),
    MovedTable("contacts", m.Contact, "the people at customers'", derive=_digits),
    MovedTable("sites", m.Site, "places with doors"),
    MovedTable("former names", m.FormerName, "what customers and sites were called before"),
    MovedTable("key systems", m.KeySystem, "key systems, without bittings and plans"),
    MovedTable("keysets", m.Keyset, "symbols and their levels, without bittings", former_values=_out_of_purpose),
    MovedTable(
        "rows aside",
        m.ListRowAside,
        "rows of old lists that stand aside, and what was settled, without bittings",
        (
            at_least("row", 0, "Enter the row's number in its list, 0 for a master that it lacks."),
            one_of("level", ("", *m.Level)),
        ),
    ),
    MovedTable(
        "losses",
        m.Loss,
        "lost keys: which, since when, what takes their place, and how it ended",
        (row_checks.check_copies, row_checks.check_successors),
    ),
    MovedTable(
        "jobs",
        m.Job,
        "every job and its stage",
        (
            at_least("number", 1, "Job numbers begin at 1."),
            one_of("keyed_at", ("", "shop", "factory", "shop/factory", "factory/shop")),
            one_of("accepted_option", ("", *OPTIONS), "Write A or B, or nothing where the quote offered one way."),
            *map(cents, ("value_cents", "cost_cents", "deposit_cents", "agreed_cents")),
            at_least("bench_minutes", 0, "Enter whole minutes, 0 or more."),
            one_of("urgency", Urgency),
            row_checks.check_reason,
        ),
    ),
    MovedTable(
        "job lines",
        m.JobLine,
        "the lines of accepted quotes",
        (
            at_least("number", 1, "Line numbers begin at 1."),
            one_of("kind", m.LineKind),
            at_least("quantity", 1, "Enter a whole quantity, 1 or more."),
            cents("unit_cents"),
            row_checks.check_request,
        ),
    ),
    MovedTable(
        "quotes",
        m.QuoteRevision,
        "quotes as issued, frozen, each with the SHA-256 of its words",
        (at_least("revision", 1, "Revisions begin at 1."), row_checks.check_quote),
        derive=_token,
    ),
    MovedTable(
        "invoices",
        m.Invoice,
        "invoices, deposit invoices and credit notes as issued, each with the SHA-256 of its words",
        (at_least("number", 1, "Invoice numbers begin at 1."), row_checks.check_invoice),
        derive=_invoice_token,
    ),
    MovedTable("invoice lines", m.InvoiceLine, "the lines of invoices and credit notes"),
    MovedTable(
        "account payments",
        m.AccountPayment,
        "money that was paid at once for several jobs",
        (at_least("number", 1, "Their numbers begin at 1."), one_of("means", MEANS_ON_RECORD)),
        derive=_account_token,
    ),
    MovedTable(
        "payments",
        m.Payment,
        "money received and given back",
        (row_checks.check_payment, one_of("means", MEANS_ON_RECORD)),
    ),
    MovedTable("payment uses", m.PaymentUse, "which payment was used for which invoice"),
    MovedTable(
        "needs",
        m.Need,
        "what jobs take of the stock",
        (
            at_least("quantity", 1, "At least one piece is needed."),
            one_of("keyed_at", ("", "shop", "factory")),
        ),
    ),
    MovedTable(
        "orders to makers",
        m.PurchaseOrder,
        "orders to makers, those that were sent frozen, each with the SHA-256 of its words",
        (
            *map(cents, ("charges_cents", "confirmed_charges_cents")),
            row_checks.check_order,
        ),
    ),
    MovedTable(
        "order lines",
        m.PurchaseLine,
        "what each order asks for, and what the maker confirmed",
        (
            at_least("quantity", 1, "Enter a whole quantity, 1 or more."),
            *map(cents, ("unit_cents", "confirmed_cents")),
        ),
    ),
    MovedTable("order shares", m.PurchaseShare, "for which jobs' needs ordered pieces are"),
    MovedTable("deliveries", m.Delivery, "what came of orders, and when"),
    MovedTable("delivery lines", m.DeliveryLine, "how many came good, damaged or wrong"),
    MovedTable("promise moves", m.PromiseMove, "promises that orders moved, and calls about them"),
    MovedTable(
        "stock movements",
        m.StockMovement,
        "what came to the shelf and left it, from which what is there is summed",
        (row_checks.check_movement,),
    ),
    MovedTable("stock counts", m.StockCount, "counts of the shelf: where, when, by whom"),
    MovedTable(
        "stock count lines",
        m.StockCountLine,
        "what each count found of each item",
        (require("found", lambda found: found is None or found >= 0, "Enter 0 or more, or nothing."),),
    ),
    MovedTable("bench times", m.BenchTimeRow, "what the bench's work took", (row_checks.check_bench_time,)),
    MovedTable(
        "doors",
        m.Door,
        "openings",
        (one_of("hand", HANDS), require("opening_number", str.strip, "Enter the opening number.")),
    ),
    MovedTable("locks", m.Lock, "what is in the doors"),
    MovedTable("cylinders", m.Cylinder, "every cylinder that was ever on record, by position and keyset"),
    MovedTable(
        "warranties",
        m.Warranty,
        "cylinders that came back, and the jobs that they opened",
        (one_of("borne_by", m.BorneBy),),
    ),
    MovedTable(
        "returns", m.GoodsReturn, "goods that came back", (at_least("number", 1, "Numbers of returns begin at 1."),)
    ),
    MovedTable(
        "return lines",
        m.ReturnLine,
        "what came back of each line of a job",
        (
            at_least("quantity", 1, "Enter a whole quantity, 1 or more."),
            one_of("kind", ("cylinder", "goods")),
            one_of("condition", m.ReturnCondition),
        ),
    ),
    MovedTable(
        "claims",
        m.MakerClaim,
        "what was claimed of makers, and what came of it",
        (at_least("quantity", 1, "Enter a whole quantity, 1 or more."), one_of("state", m.ClaimState)),
    ),
    MovedTable(
        "appointments",
        m.Appointment,
        "when an installer comes to a site",
        (
            require("minutes", lambda minutes: minutes is None or minutes >= 1, "Enter whole minutes, 1 or more."),
            require("installer", str.strip, "Enter who comes."),
        ),
    ),
    MovedTable(
        "reminders",
        m.Reminder,
        "what somebody is to be reminded of, by day",
        (require("words", str.strip, "Enter what is to be done."),),
    ),
    MovedTable("operated by", m.CylinderOperator, "further keysets that operate a cross-keyed cylinder"),
    MovedTable("keys", m.Key, "the register of keys: copies, holders, what is out", derive=_holder_digits),
    MovedTable("blind codes", m.BlindCode, "codes that keys were stamped with, each given once"),
    MovedTable("key counts", m.KeyCount, "counts of a customer's keys: when, by whom"),
    MovedTable("key count lines", m.KeyCountLine, "what each count found of each key"),
    MovedTable("story", m.Event, "what happened to jobs and keys: when, who, what", (check_event,), is_story=True),
)


def table_named(name: str) -> MovedTable | None:
    """The table of this name in an export; None when no export has it."""
    return next((one for one in TABLES if name in (one.name, one.former_name) and name), None)
