"""The invented house with its makers, prices and customers, for tests of the counter and of quotes.

A test module that imports `empty_house` from here has this house under all of tests/conftest.py's fixtures.
"""

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from app.commands.demo_house import load_house
from app.ledger.care.opening import migrate, open_ledger
from app.ledger.store.work import Actor
from app.ledger.tables import Role
from tests.conftest import NOW
from tests.houses import made_once, new_house

DEMO = Path(__file__).resolve().parents[1] / "demo_data"

MORTISE: Mapping[str, str] = {
    "kind": "cylinder",
    "type": "mortise",
    "length": "1-1/8",
    "chambers": "6",
    "keyway": "AQ1",
    "tail": "standard",
    "finish": "626",
    "quantity": "2",
    "keying": "KA",
    "keys_each": "2",
}
PART: Mapping[str, str] = {"kind": "part number", "part_number": "A18M-Q1-66.SC", "quantity": "1", "keys_each": "2"}
HARDWARE: Mapping[str, str] = {"kind": "hardware", "price_code": "RING-SET", "quantity": "1"}


def _stock(folder: Path) -> None:
    config = new_house(folder)
    migrate(config)
    ledger = open_ledger(config)
    with ledger.work(Actor(None, "the house", Role.OWNER), NOW) as work:
        load_house(work, DEMO, date(2026, 1, 1))
    ledger.close()


@pytest.fixture(scope="session")
def empty_house() -> Path:
    """An instance folder of the stocked house; copied for each test."""
    return made_once("stocked", _stock)


def posted(*lines: Mapping[str, str], **head: Any) -> dict[str, str]:
    """A counter page as a browser posts it: a walk-in, unless a customer is named, and its lines."""
    form = {"token": "t" * 32, "is_new_customer": "another", "customer_name": "I. Plover"}
    if "customer_id" in head:
        form = {"token": form["token"]}
    form.update({name: str(value) for name, value in head.items()})
    for key, line in enumerate(lines):
        form.update({f"lines-{key}-{name}": value for name, value in line.items()})
    return form
