"""A house with nobody on record but an owner, for tests in a folder whose other tests have the demo's house.

A test module imports both fixtures by name; they stand before the folder's own.
"""

from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy.orm import Session

from app.config import Config
from app.ledger.care.opening import Ledger
from app.ledger.store.work import Actor, Work
from app.ledger.tables import User
from tests.conftest import NOW


@pytest.fixture
def config(empty_house: Path, copied: Callable[[Path], Config]) -> Config:
    """The settings of a house of this test's own: migrated, and nobody on record."""
    return copied(empty_house)


@pytest.fixture
def work(session: Session, ledger: Ledger, owner: User) -> Work:
    """Work in the owner's name, on the test's day."""
    return Work(session, ledger.vault, Actor.of(owner), NOW)
