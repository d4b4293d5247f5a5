"""A second factor at the login: set up with proof, asked for, good once, and taken away when the phone is lost."""

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import pytest
import sqlalchemy as sa
from flask import Flask
from sqlalchemy.orm import Session

from app.config import Config
from app.errors import BitternError
from app.ledger.care.opening import Ledger, open_ledger
from app.ledger.care.sealing_key import rotate_key
from app.ledger.people.second_factor import code_at, matching_step, new_secret, secret_of, set_factor
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Event, Role, User
from tests.conftest import NOW
from tests.factories import PASSWORD, FormClient

ClientAs = Callable[[Role | None], FormClient]
SECRET = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"
NOW_STEP = int(NOW.timestamp()) // 30


def log_in(client: FormClient, code: str | None, password: str = PASSWORD) -> int:
    typed = {"name": "Owner", "password": password}
    return int(client.post("/login", data=typed if code is None else {**typed, "code": code}).status_code)


@pytest.fixture
def with_factor(work: Work) -> None:
    set_factor(work, PASSWORD, SECRET, code_at(SECRET, NOW_STEP - 1))


def test_a_code_is_asked_only_where_somebody_has_one(client_as: ClientAs, work: Work) -> None:
    assert 'name="code"' not in client_as(None).get("/login").text
    set_factor(work, PASSWORD, SECRET, code_at(SECRET, NOW_STEP))
    assert 'name="code"' in client_as(None).get("/login").text


def test_the_code_of_now_lets_in_once(client_as: ClientAs, web: Flask, with_factor: None) -> None:
    code = code_at(SECRET, NOW_STEP)
    assert log_in(client_as(None), code) == 303
    assert log_in(client_as(None), code) == 422  # whoever looked over the shoulder
    web.extensions["clock"] = lambda: NOW + timedelta(seconds=30)
    assert log_in(client_as(None), code_at(SECRET, NOW_STEP + 1)) == 303


@pytest.mark.parametrize("code", [None, "", "000000", "12345", "1234567", "abcdef", "١٢٣٤٥٦", code_at(SECRET, 1)])
def test_any_other_code_reads_like_a_wrong_password(
    client_as: ClientAs, with_factor: None, session: Session, code: str | None
) -> None:
    client = client_as(None)
    assert log_in(client, code) == 422
    assert client.get("/house").status_code == 303
    pages = {
        re.sub(r'(X-CSRFToken": "|name="(?:csrf_token|code)"[^>]*value=")[^"]*', r"\1", page)
        for page in (
            client.post("/login", data={"name": "Owner", "password": PASSWORD, "code": "000000"}).text,
            client.post("/login", data={"name": "Owner", "password": "wrong", "code": "000000"}).text,
        )
    }
    assert len(pages) == 1


def test_wrong_codes_count_as_failed_logins(client_as: ClientAs, with_factor: None) -> None:
    client = client_as(None)
    for _ in range(5):
        assert log_in(client, "000000") == 422
    answer = client.post("/login", data={"name": "Owner", "password": PASSWORD, "code": code_at(SECRET, NOW_STEP)})
    assert "Too many failed tries" in answer.text


def test_a_phone_s_clock_may_be_half_a_minute_off() -> None:
    right = {shift: matching_step(SECRET, code_at(SECRET, NOW_STEP + shift), NOW) for shift in range(-3, 4)}
    assert {shift for shift, step in right.items() if step is not None} == {-1, 0, 1}
    assert matching_step(SECRET, code_at(SECRET, NOW_STEP)[:3] + " " + code_at(SECRET, NOW_STEP)[3:], NOW) == NOW_STEP


def test_it_is_set_up_on_a_page_and_taken_away_again(client_as: ClientAs, session: Session) -> None:
    client, elsewhere = client_as(Role.BENCH), client_as(None)
    elsewhere.log_in(session.scalars(sa.select(User).where(User.role == Role.BENCH)).one())
    page = client.get("/my-login/second-factor").text
    shown = re.search(r'class="lead code">([A-Z2-7 ]+)<', page)
    carried = re.search(r'name="secret"[^>]*value="([^"]+)"', page)
    assert shown is not None and carried is not None
    secret = shown.group(1).replace(" ", "")
    assert f"secret={secret}" in page and len(secret) == 32

    def send(code: str, password: str = PASSWORD) -> int:
        typed = {"secret": carried.group(1), "current": password, "code": code}
        return int(client.post("/my-login/second-factor", data=typed).status_code)

    assert send("000000") == 422
    assert send(code_at(secret, NOW_STEP), "not it") == 422
    assert session.scalars(sa.select(User).where(User.factor_sealed.is_not(None))).all() == []
    session.rollback()
    assert send(code_at(secret, NOW_STEP)) == 303
    assert "asks for a code from your phone" in client.get("/my-login").text
    assert elsewhere.get("/my-login").status_code == 303  # whoever came in without a code is out
    assert client.post("/my-login/second-factor/drop").status_code == 303
    assert "asks for no code" in client.get("/my-login").text
    assert session.scalars(sa.select(Event.kind)).all().count("second factor changed") == 2


def test_a_secret_that_was_not_given_out_here_is_refused(client_as: ClientAs) -> None:
    typed = {"secret": SECRET, "current": PASSWORD, "code": code_at(SECRET, NOW_STEP)}
    assert client_as(Role.BENCH).post("/my-login/second-factor", data=typed).status_code == 400


def test_the_owner_takes_it_away_when_a_phone_is_lost(client_as: ClientAs, with_factor: None, owner: User) -> None:
    assert client_as(Role.COUNTER).post(f"/house/users/{owner.id}/second-factor/drop").status_code == 403
    on_the_phone, here = client_as(Role.OWNER), client_as(Role.OWNER)
    assert here.post(f"/house/users/{owner.id}/second-factor/drop").status_code == 303
    assert here.get("/house").status_code == 200
    assert on_the_phone.get("/house").status_code == 303
    assert log_in(client_as(None), None) == 303


def test_it_outlives_a_new_sealing_key(
    config: Config, ledger: Ledger, with_factor: None, owner: User, work: Work
) -> None:
    work.session.rollback()
    rotate_key(config, ledger, Actor(None, "the command line", Role.OWNER), NOW)
    again = open_ledger(config)
    with again.sessions() as session:
        assert secret_of(again.vault, session.get_one(User, owner.id)) == SECRET
    again.close()


def test_secrets_are_long_and_new() -> None:
    assert len({new_secret() for _ in range(20)}) == 20


@pytest.mark.parametrize("role", [Role.BENCH, Role.OWNER])
def test_a_house_may_ask_everybody_in_a_role_for_it(
    web: Flask, config: Config, client_as: ClientAs, role: Role, session: Session
) -> None:
    web.extensions["config"] = replace(config, second_factor=("bench", "owner"))
    assert client_as(Role.COUNTER).get("/customers").status_code == 200
    client = client_as(role)
    for answer in (client.get("/customers"), client.post("/customers/new", data={"name": "A. Heron"})):
        assert (answer.status_code, answer.location) == (303, "/my-login/second-factor")
    assert (
        client.get("/search?q=a", headers={"HX-Request": "true"}).headers["HX-Redirect"] == "/my-login/second-factor"
    )
    page = client.get("/my-login/second-factor").text
    assert "asks everybody in your role" in page
    shown = re.search(r'class="lead code">([A-Z2-7 ]+)<', page)
    carried = re.search(r'name="secret"[^>]*value="([^"]+)"', page)
    assert shown is not None and carried is not None
    code = code_at(shown.group(1).replace(" ", ""), NOW_STEP)
    typed = {"secret": carried.group(1), "current": PASSWORD, "code": code}
    assert client.post("/my-login/second-factor", data=typed).status_code == 303
    assert client.get("/customers").status_code == 200
    assert client.post("/logout").status_code == 303


def test_roles_that_are_none_are_refused() -> None:
    assert Config.from_environment({"BITTERN_SECOND_FACTOR": "bench, owner"}).second_factor == ("bench", "owner")
    with pytest.raises(BitternError, match="Set BITTERN_SECOND_FACTOR to roles"):
        Config.from_environment({"BITTERN_SECOND_FACTOR": "yes"})
