"""A house with the demo's makers, prices and terms, in a real SQLite file, migrated once and copied a test."""

from __future__ import annotations

import json
import random
import shutil
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from app.config import Config
from app.ledger.customers.importing import import_customers
from app.ledger.makers.actions import import_maker, set_factory_terms
from app.ledger.models import Customer, Role, User
from app.ledger.opening import migrate, open_ledger
from app.ledger.prices.actions import (
    HouseForm,
    import_prices,
    import_tax_rules,
    import_tiers,
    set_bench_terms,
    set_house,
)
from app.ledger.work import Actor, Work

DEMO = Path(__file__).resolve().parents[2] / "demo_data"
NOW = datetime(2026, 3, 2, 15, tzinfo=UTC)  # a Monday
FIRST_DAY = date(2026, 1, 1)


def load_house(work: Work) -> None:
    """The demo's tables, through the importers that a user has."""
    set_house(work, HouseForm("Fenwick Quay Builders' Hardware", "3 Fenwick Quay", "555-0100", tax_place="Saltmarsh"))
    for file in sorted((DEMO / "makers").glob("*.json")):
        import_maker(work, json.loads(file.read_text("utf-8")))
    import_tiers(work, (DEMO / "tiers.csv").read_text("utf-8"))
    import_prices(work, (DEMO / "prices.csv").read_text("utf-8"), FIRST_DAY)
    import_tax_rules(work, (DEMO / "tax_rules.csv").read_text("utf-8"), FIRST_DAY)
    for file in sorted((DEMO / "terms").glob("factory_*.json")):
        set_factory_terms(work, file.stem.removeprefix("factory_").upper(), FIRST_DAY, json.loads(file.read_text()))
    set_bench_terms(work, FIRST_DAY, json.loads((DEMO / "terms" / "bench.json").read_text()))
    import_customers(work, (DEMO / "customers.csv").read_text("utf-8"))


@pytest.fixture(scope="session")
def house_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An instance folder with the loaded house; copied for each test, never written to."""
    folder = tmp_path_factory.mktemp("house")
    config = Config(instance=folder)
    migrate(config)
    ledger = open_ledger(config)
    with ledger.work(Actor(None, "the house", Role.OWNER), NOW) as work:
        load_house(work)
        for name, role in (("Wren", Role.OWNER), ("Bram", Role.BENCH), ("Cora", Role.COUNTER)):
            work.session.add(
                User(name=name, name_key=name.casefold(), role=role, password_hash="none", created_at=NOW)
            )
        work.session.commit()
    ledger.close()
    return folder


@pytest.fixture
def config(house_folder: Path, tmp_path: Path) -> Config:
    """The settings of a fresh copy of the house."""
    shutil.copytree(house_folder, tmp_path / "instance")
    return Config(instance=tmp_path / "instance")


@pytest.fixture
def work(config: Config) -> Iterator[Work]:
    """The owner's work in a fresh copy of the house, on a fixed day and seed."""
    ledger = open_ledger(config)
    with ledger.sessions() as session:
        owner = session.get_one(User, 1)
        yield Work(session, ledger.vault, Actor.of(owner), NOW, random.Random(8))
    ledger.close()


def by(work: Work, role: Role) -> Work:
    """The same work in another person's hands."""
    user = next(user for user in work.session.query(User) if user.role is role)
    return Work(work.session, work.vault, Actor.of(user), work.now, work.rng)


def customer_id(work: Work, name: str) -> int:
    """The customer whose name starts so."""
    return work.session.query(Customer.id).filter(Customer.name.startswith(name)).one()[0]
