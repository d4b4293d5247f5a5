"""A house with the demo's makers, prices and terms, in a real SQLite file, migrated once and copied a test."""

import random
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from app.commands.demo_house import load_house
from app.config import Config
from app.ledger.care.opening import migrate, open_ledger
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Customer, Role, User
from tests.houses import made_once, new_house

DEMO = Path(__file__).resolve().parents[2] / "demo_data"
NOW = datetime(2026, 3, 2, 15, tzinfo=UTC)  # a Monday
FIRST_DAY = date(2026, 1, 1)


def make_house(folder: Path) -> Config:
    """Migrate a house in this folder and load it: makers, prices, customers, three logins."""
    config = new_house(folder)
    migrate(config)
    ledger = open_ledger(config)
    with ledger.work(Actor(None, "the house", Role.OWNER), NOW) as work:
        load_house(work, DEMO, FIRST_DAY)
        for name, role in (("Wren", Role.OWNER), ("Bram", Role.BENCH), ("Cora", Role.COUNTER)):
            work.session.add(
                User(name=name, name_key=name.casefold(), role=role, password_hash="none", created_at=NOW)
            )
        work.session.commit()
    ledger.close()
    return config


@pytest.fixture(scope="session")
def house_folder() -> Path:
    """An instance folder with the loaded house; copied for each test, never written to."""
    return made_once("with logins", make_house)


@pytest.fixture
def config(house_folder: Path, copied: Callable[[Path], Config]) -> Config:
    """The settings of a fresh copy of the house."""
    return copied(house_folder)


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
