"""The demo house once it was moved into a house of other people: made once a run, copied for each test."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from app.ledger import tables as m
from app.ledger.care.opening import migrate, open_ledger
from app.ledger.moving.importing import import_house
from app.ledger.store.work import Actor, Work
from tests import factories
from tests.conftest import NOW
from tests.houses import copy_house, made_once, new_house, remove_database
from tests.moved import demo_taken

OTHER_OWNER = "Ada Marsh"


@pytest.fixture(scope="session")
def moved_folder() -> Path:
    """An instance folder of a house begun by somebody else, with the demo's export taken in."""
    return made_once("moved", _move)


def _move(folder: Path) -> None:
    config = new_house(folder)
    migrate(config)
    ledger = open_ledger(config)
    with ledger.sessions() as session, factories.saving_into(session):
        owner = factories.UserFactory(name=OTHER_OWNER, role=m.Role.OWNER)
        import_house(Work(session, ledger.vault, Actor.of(owner), NOW), "house.zip", demo_taken())
    ledger.close()


@pytest.fixture
def empty(empty_house: Path, tmp_path: Path) -> Iterator[Work]:
    """The owner's work in a house with nothing on record."""
    config = copy_house(empty_house, tmp_path / "empty")
    ledger = open_ledger(config)
    with ledger.sessions() as session, factories.saving_into(session):
        owner = factories.UserFactory(name=OTHER_OWNER, role=m.Role.OWNER)
        yield Work(session, ledger.vault, Actor.of(owner), NOW)
    ledger.close()
    remove_database(config)
