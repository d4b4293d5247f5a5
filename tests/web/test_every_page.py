"""Every page of the demo house, asked for by everybody: it answers, and it answers only whom it may."""

from collections.abc import Iterator

import pytest
from flask import Flask

from app.ledger.care.opening import Ledger
from app.ledger.tables import Role
from app.web.access import rule_of
from tests import tour

pytestmark = [pytest.mark.database, pytest.mark.postgresql]


@pytest.fixture(scope="module")
def toured(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Flask, Ledger]]:
    """The demo house, served to test clients; nobody writes in it."""
    with tour.demo_app(tmp_path_factory.mktemp("tour") / "instance") as house:
        yield house


@pytest.mark.parametrize("role", [None, *Role])
def test_every_page_answers_whom_it_may_and_nobody_else(toured: tuple[Flask, Ledger], role: Role | None) -> None:
    app, ledger = toured
    client = tour.client_of(app, ledger, role)
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
