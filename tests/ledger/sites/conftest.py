"""A site in a house with nothing else on record, where the rest of tests/ledger has the demo's."""

import random
from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy.orm import Session

from app.config import Config
from app.ledger.care.opening import Ledger
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Site, User
from tests import factories
from tests.conftest import NOW


@pytest.fixture
def config(empty_house: Path, copied: Callable[[Path], Config]) -> Config:
    return copied(empty_house)


@pytest.fixture
def work(session: Session, ledger: Ledger, owner: User) -> Work:
    return Work(session, ledger.vault, Actor.of(owner), NOW, random.Random(8))


@pytest.fixture
def site(session: Session) -> Site:
    site: Site = factories.SiteFactory(name="North Hall")
    return site
