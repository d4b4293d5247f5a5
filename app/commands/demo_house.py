"""Load the invented supply house: its tables through the importers that a user has, and three logins."""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path

from app.ledger.bench.pins import StockCount, pin_sizes, set_stock
from app.ledger.catalog.house_settings import HouseForm, set_bench_terms, set_house
from app.ledger.catalog.makers import import_maker, set_factory_terms
from app.ledger.catalog.price_editing import TaxRuleForm, TierForm, set_tax_rule, set_tier
from app.ledger.catalog.price_import import plan_prices, put_on_record
from app.ledger.catalog.specs import list_specs
from app.ledger.people.users import add_user
from app.ledger.sites.customers import CustomerForm, SiteForm, add_customer, add_site
from app.ledger.store.work import Work
from app.ledger.tables import Role

# Invented, for the demo alone; a real house has no default account.
DEMO_LOGINS = (
    ("Cora", Role.COUNTER, "tide-counter-1"),
    ("Bram", Role.BENCH, "tide-bench-12"),
    ("Wren", Role.OWNER, "tide-owner-12"),
)
PINS_A_BIN = 250
HOUSE = HouseForm(
    name="Fenwick Quay Builders' Hardware",
    address="3 Fenwick Quay, Saltmarsh",
    phone="555-0100",
    email="counter@fenwickquay.example",
    tax_place="Saltmarsh",
    exclusions="Fitting, unless a line says so. Repairs to doors, frames and locks that are found when we fit.",
    terms="Prices hold until the date above. Half with the order for keyed goods, the rest when they are handed "
    "over. Keyed goods are made for you and are not taken back. Keys are cut for a key system only with the "
    "written authority of its owner.",
)


def load_people(work: Work) -> None:
    """The three demo logins."""
    for name, role, password in DEMO_LOGINS:
        add_user(work, name, role, password)


def load_house(work: Work, folder: Path, first_day: date) -> None:
    """Everything in the demo's data folder that is not a job; prices and terms hold from `first_day` on."""

    def read(name: str) -> str:
        return (folder / name).read_text("utf-8")

    def rows(name: str) -> csv.DictReader[str]:
        return csv.DictReader(read(name).splitlines())

    set_house(work, HOUSE)
    for file in sorted((folder / "makers").glob("*.json")):
        import_maker(work, json.loads(file.read_text("utf-8")))
    for row in rows("tiers.csv"):
        set_tier(work, TierForm(row["name"], Decimal(row["percent off"])))
    prices = ("prices.csv", (folder / "prices.csv").read_bytes(), first_day)
    put_on_record(work, *prices, plan_prices(work.session, *prices).fingerprint)
    for row in rows("tax_rules.csv"):
        goods, labor = (row[name] == "yes" for name in ("goods taxed", "labor taxed"))
        set_tax_rule(work, TaxRuleForm(row["place"], Decimal(row["rate percent"]), goods, labor, first_day))
    set_bench_terms(work, first_day, json.loads(read("terms/bench.json")))
    for file in sorted((folder / "terms").glob("factory_*.json")):
        code = file.stem.removeprefix("factory_").upper()
        set_factory_terms(work, code, first_day, json.loads(file.read_text("utf-8")))
    for row in rows("customers.csv"):
        _add_customer(work, row)
    for use in list_specs(work.session):
        sizes = pin_sizes(use.spec).items()
        set_stock(work, use.row.id, [StockCount(kind, size, PINS_A_BIN) for kind, bins in sizes for size in bins])


def _add_customer(work: Work, row: Mapping[str, str]) -> None:
    """A customer with sites of the same address; an exemption counts its days from today."""
    until = work.today + timedelta(days=int(row["exempt days"])) if row["exempt days"] else None
    names = ("name", "phone", "email", "address", "tier", "tax place", "exempt certificate", "notes")
    given = {name.replace(" ", "_"): row[name] for name in names}
    customer = add_customer(work, CustomerForm(**given, exempt_until=until))
    for site in row["sites"].split("|"):
        add_site(work, customer.id, SiteForm(site, row["address"], row["tax place"]))
