"""What the tests of pages share."""

from collections.abc import Callable

import pytest
from flask import Flask
from flask.testing import FlaskClient

from app.ledger.tables import Role
from tests.factories import FormClient

ClientAs = Callable[[Role | None], FormClient]


@pytest.fixture
def fresh(web: Flask) -> FlaskClient:
    """A client of a house where nobody is on record yet."""
    return FormClient(web)


@pytest.fixture
def owner_client(client_as: ClientAs) -> FormClient:
    """A client logged in as the owner."""
    return client_as(Role.OWNER)


@pytest.fixture
def clerk(client_as: ClientAs) -> FormClient:
    """A client logged in as somebody at the counter."""
    return client_as(Role.COUNTER)
