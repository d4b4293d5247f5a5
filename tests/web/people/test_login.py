"""The door: first start, log in, log out, and sessions that end."""

import re
from collections.abc import Callable
from datetime import timedelta

import pytest
import sqlalchemy as sa
from flask import Flask
from sqlalchemy.orm import Session

from app.ledger.people.login_rules import LoginRules, set_rules
from app.ledger.store.work import Work
from app.ledger.tables import Event, Role, User
from tests.conftest import NOW
from tests.factories import PASSWORD, FormClient, UserFactory

ClientAs = Callable[[Role | None], FormClient]
FIRST = {
    "house_name": "Fenwick Quay",
    "owner_name": "Ada Marsh",
    "password": "a heron in the reeds",
    "again": "a heron in the reeds",
}


def move_clock(web: Flask, **passed: float) -> None:
    web.extensions["clock"] = lambda: NOW + timedelta(**passed)


# ---- the first start ----


@pytest.mark.parametrize("path", ["/", "/login", "/house", "/my-password"])
def test_an_empty_house_leads_every_page_to_its_first_start(fresh: FormClient, path: str) -> None:
    answer = fresh.get(path)
    assert (answer.status_code, answer.location) == (302, "/first-start")


def test_the_first_start_makes_the_owner_and_logs_them_in(fresh: FormClient, session: Session) -> None:
    answer = fresh.post("/first-start", data=FIRST)
    assert (answer.status_code, answer.location) == (303, "/first-day")
    page = fresh.get("/house").text
    assert "Ada Marsh" in page
    assert "Fenwick Quay is open" in page
    assert session.scalars(sa.select(User.role)).all() == [Role.OWNER]


def test_the_first_start_tells_all_that_is_wrong_with_a_password_at_once(fresh: FormClient) -> None:
    answer = fresh.post("/first-start", data=FIRST | {"house_name": "", "password": "heron", "again": "herons"})
    assert answer.status_code == 422
    for told in ("Enter the name.", "Use at least 12 characters", "The two passwords differ"):
        assert told in answer.text, told
    own = FIRST | {"password": "Ada Marsh of the quay", "again": ""}
    page = fresh.post("/first-start", data=own).text
    assert "own name out of the password" in page and "The two passwords differ" in page


def test_the_first_start_is_gone_once_somebody_is_on_record(fresh: FormClient, session: Session) -> None:
    UserFactory(role=Role.OWNER)
    assert fresh.get("/first-start").status_code == 404
    assert fresh.post("/first-start", data=FIRST).status_code == 404
    assert session.scalar(sa.select(sa.func.count()).select_from(User)) == 1


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"house_name": " "}, "Enter the name."),
        ({"owner_name": ""}, "Enter your name."),
        ({"owner_name": "x" * 10_000}, "At most 80 characters"),
        ({"password": "short", "again": "short"}, "at least 12 characters"),
        ({"again": "another heron in the reeds"}, "two passwords differ"),
    ],
)
def test_a_refused_first_start_keeps_what_was_typed_but_no_password(
    fresh: FormClient, session: Session, change: dict[str, str], says: str
) -> None:
    answer = fresh.post("/first-start", data={**FIRST, **change})
    assert answer.status_code == 422
    assert says in answer.text
    assert 'value="Fenwick Quay"' in answer.text or change.get("house_name") == " "
    assert FIRST["password"] not in answer.text
    assert session.scalar(sa.select(sa.func.count()).select_from(User)) == 0


def test_nobody_starts_the_house_over_the_network(fresh: FormClient, session: Session) -> None:
    answer = fresh.post("/first-start", data=FIRST, environ_overrides={"REMOTE_ADDR": "192.0.2.9"})
    assert answer.status_code == 403
    assert "bittern user add" in answer.text
    assert session.scalar(sa.select(sa.func.count()).select_from(User)) == 0


# ---- log in ----


def log_in(client: FormClient, name: str = "Owner", password: str = PASSWORD, path: str = "/login"):
    return client.post(path, data={"name": name, "password": password})


def test_a_login_leads_to_the_page_that_was_asked_for(client_as: ClientAs) -> None:
    client = client_as(None)
    asked = client.get("/house/users/new?from=here")
    assert asked.status_code == 303
    answer = log_in(client, path=asked.location)
    assert (answer.status_code, answer.location) == (303, "/house/users/new?from=here")
    assert client.get("/house").status_code == 200


@pytest.mark.parametrize(
    "elsewhere",
    ["https://evil.example/", "//evil.example", "/\\evil.example", "\\\\evil.example", "javascript:x", "x"],
)
def test_a_login_never_leads_to_another_house(client_as: ClientAs, elsewhere: str) -> None:
    client = client_as(None)
    answer = client.post("/login", query_string={"next": elsewhere}, data={"name": "Owner", "password": PASSWORD})
    assert (answer.status_code, answer.location) == (303, "/")


def test_unknown_name_and_wrong_password_make_the_same_page(client_as: ClientAs) -> None:
    pages = {log_in(client_as(None), "Owner", "wrong").text, log_in(client_as(None), "Owner", "x" * 5000).text}
    unknown = log_in(client_as(None), "Nobody", "wrong").text.replace('value="Nobody"', 'value="Owner"')
    assert _without_tokens(unknown) in {_without_tokens(page) for page in pages}
    assert len({_without_tokens(page) for page in pages}) == 1


def _without_tokens(page: str) -> str:
    return re.sub(r'(X-CSRFToken": "|name="csrf_token"[^>]*value=")[^"]+', r"\1", page)


def test_the_sixth_try_is_refused_and_says_how_long(client_as: ClientAs) -> None:
    client = client_as(None)
    for _ in range(5):
        assert "do not belong together" in log_in(client, password="wrong").text
    answer = log_in(client)
    assert answer.status_code == 422
    assert "Wait 15 minutes" in answer.text
    assert client.get("/house").status_code == 303


def test_a_login_begins_a_session_of_its_own(client_as: ClientAs) -> None:
    client = client_as(None)
    with client.session_transaction() as held:
        held["planted"] = "by somebody else"
    token = client.csrf_token()
    log_in(client)
    with client.session_transaction() as held:
        assert "planted" not in held
    assert client.post("/my-password", data={"csrf_token": token}, csrf=False).status_code == 400


def test_the_cookie_is_hidden_from_scripts_and_other_sites(client_as: ClientAs) -> None:
    cookie = log_in(client_as(None)).headers["Set-Cookie"]
    assert cookie.startswith("bittern=")
    assert "HttpOnly" in cookie and "SameSite=Lax" in cookie
    assert "Secure" not in cookie


def test_over_tls_the_cookie_is_bound_to_tls_and_to_the_host(client_as: ClientAs) -> None:
    client = client_as(None)
    page = client.get("/login", base_url="https://localhost")
    token = re.search(r'name="csrf_token"[^>]*value="([^"]+)"', page.text)
    assert token is not None
    answer = client.post(
        "/login",
        base_url="https://localhost",
        data={"name": "Owner", "password": PASSWORD, "csrf_token": token.group(1)},
        headers={"Referer": "https://localhost/login"},
        csrf=False,
    )
    cookie = answer.headers["Set-Cookie"]
    assert cookie.startswith("__Host-bittern=")
    assert "Secure" in cookie and "Path=/" in cookie and "Domain" not in cookie
    assert answer.headers["Strict-Transport-Security"] == "max-age=31536000"
    assert "Strict-Transport-Security" not in client.get("/login").headers


# ---- sessions end ----


def test_log_out_ends_the_session_and_is_an_event(owner_client: FormClient, session: Session) -> None:
    answer = owner_client.post("/logout")
    assert (answer.status_code, answer.location) == (303, "/login")
    assert owner_client.get("/house").status_code == 303
    assert session.scalars(sa.select(Event.kind)).all() == ["logout"]


def test_a_copied_cookie_dies_with_its_login(web: Flask, client_as: ClientAs) -> None:
    client, thief = client_as(Role.OWNER), FormClient(web)
    with client.session_transaction() as held, thief.session_transaction() as copied:
        copied.update(held)
    assert thief.get("/house").status_code == 200
    client.post("/logout")
    assert thief.get("/house").status_code == 303


def test_log_out_by_a_link_does_nothing(owner_client: FormClient) -> None:
    assert owner_client.get("/logout").status_code == 405
    assert owner_client.get("/house").status_code == 200


@pytest.fixture
def unlocked(work: Work) -> None:
    """A house whose screens do not lock by themselves."""
    set_rules(work, LoginRules(lock_minutes=0), 0)


def test_an_idle_session_ends_and_says_so(owner_client: FormClient, web: Flask, unlocked: None) -> None:
    move_clock(web, minutes=60)
    assert owner_client.get("/house").status_code == 200
    move_clock(web, minutes=121)
    assert owner_client.get("/house").location == "/login?next=/house"
    assert "Your login has ended" in owner_client.get("/login").text


def test_a_busy_session_ends_after_twelve_hours(owner_client: FormClient, web: Flask, unlocked: None) -> None:
    for hour in range(25):
        move_clock(web, hours=hour / 2)
        assert owner_client.get("/house").status_code == 200, hour / 2
    move_clock(web, hours=12, seconds=1)
    assert owner_client.get("/house").status_code == 303


def test_a_form_sent_after_the_end_says_that_nothing_was_saved(owner_client: FormClient, web: Flask) -> None:
    move_clock(web, minutes=61)
    answer = owner_client.post("/house/users/new", data={"name": "Bo"})
    assert answer.status_code == 303 and answer.location.startswith("/login?next=/house/users/new?unsaved")
    assert "nothing was saved. Log in: what you typed is still here." in owner_client.get("/login").text


def test_a_piece_asked_for_after_the_end_sends_the_whole_page_to_the_login(
    owner_client: FormClient, web: Flask
) -> None:
    move_clock(web, minutes=61)
    answer = owner_client.get("/house", headers={"HX-Request": "true"})
    assert (answer.status_code, answer.headers["HX-Redirect"]) == (204, "/login?next=/house")


@pytest.mark.parametrize("change", [{"session_stamp": 2}, {"active": False}])
def test_a_changed_password_or_role_ends_the_session(
    owner_client: FormClient, session: Session, owner: User, change: dict[str, object]
) -> None:
    assert owner_client.get("/house").status_code == 200
    for name, value in change.items():
        setattr(owner, name, value)
    session.commit()
    assert owner_client.get("/house").status_code == 303


@pytest.mark.parametrize("held", [{"login": None}, {"login": ["x"]}, {"login": "x"}, {"_user_id": "9"}])
def test_a_session_of_another_shape_is_no_session(owner_client: FormClient, held: dict[str, object]) -> None:
    with owner_client.session_transaction() as session:
        session.update(held)
    assert owner_client.get("/house").status_code == 303


# ---- one's own password ----


def test_everybody_changes_their_own_password(client_as: ClientAs) -> None:
    client = client_as(Role.COUNTER)
    new = "low water at the quay"
    refused = client.post("/my-password", data={"current": "wrong", "password": new, "again": new})
    assert refused.status_code == 422
    assert "not your password" in refused.text
    answer = client.post("/my-password", data={"current": PASSWORD, "password": new, "again": new})
    assert answer.status_code == 303
    assert client.get("/my-password").status_code == 200
