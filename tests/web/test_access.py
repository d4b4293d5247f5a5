"""Every route has a rule, and the rule holds."""

from collections.abc import Callable

import pytest
from flask import Flask
from flask.testing import FlaskClient
from werkzeug.routing import AnyConverter, BaseConverter, IntegerConverter
from werkzeug.routing import Rule as Route

from app.ledger.tables import Role
from app.web.access import Rule, roles, rule_of

ClientAs = Callable[[Role | None], FlaskClient]
PUBLIC = {"login.log_in", "login.first_start", "static"}


def _routes(web: Flask) -> list[tuple[Route, str]]:
    """Every route with an address that fits its pattern, whatever record it names."""
    found = []
    for route in web.url_map.iter_rules():
        values = {name: _fitting(route._converters[name]) for name in route.arguments}
        adapter = web.url_map.bind("localhost")
        found.append((route, adapter.build(route.endpoint, values, method=next(iter(route.methods - {"OPTIONS"})))))
    return found


def _fitting(converter: BaseConverter) -> object:
    if isinstance(converter, AnyConverter):
        return min(converter.items)
    return 1 if isinstance(converter, IntegerConverter) else "x"


def test_every_route_states_its_rule(web: Flask) -> None:
    without = [route.endpoint for route in web.url_map.iter_rules() if rule_of(web, route.endpoint) is None]
    assert without == []


def test_only_the_door_is_public(web: Flask) -> None:
    assert {
        r.endpoint for r in web.url_map.iter_rules() if rule_of(web, r.endpoint) == Rule(is_public=True)
    } == PUBLIC


def test_nobody_gets_past_the_door_without_a_login(web: Flask, client_as: ClientAs) -> None:
    client = client_as(None)
    for route, url in _routes(web):
        if route.endpoint in PUBLIC:
            continue
        for method in route.methods - {"OPTIONS"}:
            answer = client.open(url, method=method)
            assert answer.status_code == 303, (method, url)
            assert answer.location.startswith("/login"), (method, url)


@pytest.mark.parametrize("role", [Role.COUNTER, Role.BENCH])
def test_a_role_gets_403_exactly_where_its_rule_says(web: Flask, client_as: ClientAs, role: Role) -> None:
    client = client_as(role)
    for route, url in _routes(web):
        rule = rule_of(web, route.endpoint)
        assert rule is not None
        for method in route.methods & {"GET", "POST"}:
            if route.endpoint in {"login.log_out", "static"}:
                continue
            status = client.open(url, method=method).status_code
            if rule.allows(role):
                assert status != 403 and status < 500, (method, url, status)
            else:
                assert status == 403, (method, url, status)


def test_a_view_without_a_rule_stays_shut_even_for_the_owner(web: Flask, client_as: ClientAs) -> None:
    web.add_url_rule("/forgotten", "forgotten", lambda: "secret")
    answer = client_as(Role.OWNER).get("/forgotten")
    assert answer.status_code == 403
    assert "secret" not in answer.text


def test_the_owner_may_open_what_others_may() -> None:
    @roles(Role.BENCH)
    def view() -> None: ...

    rule: Rule = view.bittern_rule  # type: ignore[attr-defined]
    assert [rule.allows(role) for role in (None, Role.COUNTER, Role.BENCH, Role.OWNER)] == [False, False, True, True]
