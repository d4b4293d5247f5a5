"""Every page of the demo house, asked for by everybody: it answers, and it answers only whom it may."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import sqlalchemy as sa
from flask import Flask

from app import create_app
from app.ledger.care.opening import Ledger, open_ledger
from app.ledger.tables import Role, User
from app.web.access import rule_of
from tests import tour
from tests.conftest import NOW
from tests.factories import FormClient


@pytest.fixture(scope="module")
def toured(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Flask, Ledger]]:
    """The demo house, served to test clients; nobody writes in it."""
    config = tour.demo_copy(tmp_path_factory.mktemp("tour") / "instance")
    ledger = open_ledger(config)
    app = create_app(config, ledger)
    app.extensions["clock"] = lambda: NOW
    yield app, ledger
    ledger.close()


def client_of(app: Flask, ledger: Ledger, role: Role | None) -> FormClient:
    client = FormClient(app)
    if role is not None:
        with ledger.sessions() as session:
            client.log_in(session.scalars(sa.select(User).where(User.role == role)).one())
    return client


@pytest.mark.parametrize("role", [None, *Role])
def test_every_page_answers_whom_it_may_and_nobody_else(toured: tuple[Flask, Ledger], role: Role | None) -> None:
    app, ledger = toured
    client = client_of(app, ledger, role)
    with ledger.sessions() as session:
        pages = tour.pages(app, session)
    wrong = []
    for rule in app.url_map.iter_rules():
        if rule.rule not in pages or "GET" not in (rule.methods or ()):
            continue
        allowed = rule_of(app, rule.endpoint)
        assert allowed is not None, rule.endpoint
        answer = client.get(pages[rule.rule])
        may = allowed.allows(role)
        expected = (200, 204, 302, 303) if may else (302, 303) if role is None else (403,)
        if answer.status_code not in expected:
            wrong.append((rule.endpoint, pages[rule.rule], answer.status_code))
        answer.close()
    assert wrong == [], "\n".join(map(str, wrong))


def test_the_tour_passes_by_only_what_it_names(toured: tuple[Flask, Ledger]) -> None:
    app, _ = toured
    assert set(tour.PASSED_BY) <= {rule.endpoint for rule in app.url_map.iter_rules()}
