"""The locked screen and the password once more: what they refuse, what they let go on, and what they keep."""

import re
from collections.abc import Callable
from datetime import timedelta

import pytest
import sqlalchemy as sa
from flask import Flask
from sqlalchemy.orm import Session

from app.ledger.people.login_rules import LoginRules, set_rules
from app.ledger.people.own_secrets import set_pin
from app.ledger.store.work import Work
from app.ledger.tables import Event, Login, LoginAttempt, Role, User
from app.web.access import proof_of
from tests.conftest import NOW
from tests.factories import PASSWORD, FormClient, UserFactory
from tests.forms_found import form_with
from tests.keyed import keyed_job

ClientAs = Callable[[Role | None], FormClient]
PIN = "2580"
SCRIPT = {"X-Requested-By": "lock.js"}


@pytest.fixture
def client(client_as: ClientAs, work: Work) -> FormClient:
    """The owner, logged in, with a PIN."""
    set_pin(work, PASSWORD, PIN)
    return client_as(Role.OWNER)


def later(web: Flask, **passed: float) -> None:
    web.extensions["clock"] = lambda: NOW + timedelta(**passed)


# ---- the lock ----


def test_a_locked_screen_shows_nothing_of_the_house(client: FormClient) -> None:
    client.post("/lock")
    for path in ("/house", "/customers", "/my-login", "/search?q=a"):
        answer = client.get(path)
        assert answer.status_code == 423, path
        assert "The screen is locked" in answer.text
        assert "<nav" not in answer.text and 'role="search"' not in answer.text


def test_the_pin_leads_back_to_the_page(client: FormClient) -> None:
    answer = client.post("/lock", headers={"Referer": "http://localhost/house/users/new?from=here"})
    assert answer.location == "/house/users/new?from=here"
    asked = client.get(answer.location)
    place = re.search(r'action="(/unlock[^"]*)"', asked.text)
    assert place is not None
    opened = client.post(place.group(1), data={"secret-again": PIN})
    assert (opened.status_code, opened.location) == (303, "/house/users/new?from=here")
    assert client.get("/house").status_code == 200


@pytest.mark.postgresql
def test_the_password_unlocks_where_there_is_no_pin(client_as: ClientAs) -> None:
    client = client_as(Role.COUNTER)
    client.post("/lock")
    assert 'for="secret-again">Password<' in client.get("/customers").text
    assert client.post("/unlock", data={"secret-again": PASSWORD}).status_code == 303
    assert client.get("/customers").status_code == 200


def test_a_screen_locks_by_itself_after_the_house_s_minutes(client: FormClient, web: Flask) -> None:
    later(web, minutes=15)
    assert client.get("/house").status_code == 200
    later(web, minutes=15 + 17)
    assert client.get("/house").status_code == 423


@pytest.mark.postgresql
def test_what_was_typed_goes_on_with_the_pin_and_stands_nowhere_in_between(
    client: FormClient, web: Flask, session: Session
) -> None:
    later(web, minutes=20)
    typed = {"name": "Harbour Lights Cafe", "phone": "5550142"}
    asked = client.post("/customers/new", data=typed)
    assert asked.status_code == 423
    assert "What you typed is kept" in asked.text
    assert "Harbour Lights" not in asked.text
    wrong = client.post("/customers/new", data={**form_with(asked.text, "secret-again"), "secret-again": "0000"})
    assert wrong.status_code == 423
    done = client.post("/customers/new", data={**form_with(wrong.text, "secret-again"), "secret-again": PIN})
    assert done.status_code == 303
    assert "Harbour Lights Cafe" in client.get(done.location).text


def test_what_was_kept_is_no_use_to_another_person(client: FormClient, client_as: ClientAs) -> None:
    client.post("/lock")
    kept = form_with(client.post("/customers/new", data={"name": "Harbour Lights Cafe"}).text, "secret-again")[
        "kept-meanwhile"
    ]
    other = client_as(Role.COUNTER)
    other.post("/lock")
    answer = other.post("/customers/new", data={"kept-meanwhile": kept, "secret-again": PASSWORD})
    assert answer.status_code == 400
    assert "lost its place" in answer.text


def test_five_wrong_pins_end_the_login(client: FormClient, session: Session) -> None:
    client.post("/lock")
    answers = [client.post("/unlock", data={"secret-again": "0000"}).text for _ in range(5)]
    assert "4 tries left" in answers[0] and "1 try left" in answers[3]
    assert "this login has ended" in answers[4]
    assert client.post("/unlock", data={"secret-again": PIN}).location.startswith("/login")
    kinds = session.scalars(sa.select(Event.kind)).all()
    assert kinds.count("login failed") == 5 and kinds.count("login ended") == 1


@pytest.mark.parametrize(
    ("path", "typed"),
    [
        ("/my-password", {"password": "eels under the slipway", "again": "eels under the slipway"}),
        ("/my-login/pin", {"pin": PIN, "again": PIN}),
        ("/my-login/second-factor", {"code": "000000"}),
    ],
)
def test_no_page_lets_the_password_be_guessed(
    client_as: ClientAs, session: Session, path: str, typed: dict[str, str]
) -> None:
    client = client_as(Role.COUNTER)
    kept = form_with(client.get(path).text, min(typed)) | typed
    secret = {"secret": re.sub(r'.*name="secret"[^>]*value="([^"]+)".*', r"\1", client.get(path).text, flags=re.S)}
    for _ in range(5):
        answer = client.post(path, data={**kept, **secret, "current": "wrong words here"}, csrf=True)
        assert answer.status_code == 422
    assert "this login has ended" in answer.text
    assert client.get("/counter").status_code == 303
    kinds = session.scalars(sa.select(Event.kind)).all()
    assert kinds.count("login failed") == 5 and "login ended" in kinds


def test_a_right_pin_forgets_the_wrong_ones(client: FormClient) -> None:
    for _ in range(3):
        client.post("/lock")
        for _ in range(3):
            client.post("/unlock", data={"secret-again": "0000"})
        assert client.post("/unlock", data={"secret-again": PIN}).status_code == 303


def unlocked(client: FormClient, secret: str) -> bool:
    client.post("/lock")
    client.post("/unlock", data={"secret-again": secret})
    return client.get("/my-login").status_code == 200


def test_a_right_pin_leaves_the_wrong_passwords_counted(client: FormClient, session: Session) -> None:
    """Whoever saw the PIN typed guessed sixteen passwords, four at a time with the PIN in between."""
    for number in range(5):
        assert unlocked(client, PIN)
        typed = {"current": f"wrong words {number}", "password": "eels under the slipway"}
        answer = client.post("/my-password", data={**typed, "again": typed["password"]})
        assert answer.status_code == 422
    assert "this login has ended" in answer.text
    assert client.post("/unlock", data={"secret-again": PIN}).location.startswith("/login")
    kinds = session.scalars(sa.select(Event.kind)).all()
    assert kinds.count("login failed") == 5 and kinds.count("login ended") == 1


def test_wrong_pins_take_no_try_of_the_password_nor_of_the_login(client: FormClient, client_as: ClientAs) -> None:
    client.post("/lock")
    for _ in range(4):
        assert client.post("/unlock", data={"secret-again": "0000"}).status_code == 423
    assert unlocked(client, PIN)
    typed = {"current": "wrong words here", "password": "eels under the slipway", "again": "eels under the slipway"}
    assert "4 tries left" in client.post("/my-password", data=typed).text
    # A right password forgives the wrong one, and the wrong PINs at other screens keep nobody from logging in.
    assert client.post("/my-password", data={**typed, "current": PASSWORD}).status_code == 303
    wrong = {**typed, "password": "herons over the weir", "again": "herons over the weir"}
    assert "4 tries left" in client.post("/my-password", data=wrong).text
    assert client_as(None).post("/login", data={"name": "Owner", "password": typed["password"]}).status_code == 303


def test_an_unlock_from_another_site_is_not_even_compared(client: FormClient, session: Session) -> None:
    client.post("/lock")
    assert client.post("/unlock", data={"secret-again": PIN}, csrf=False).status_code == 400
    assert client.post("/customers/new", data={"secret-again": PIN}, csrf=False).status_code == 400
    assert session.scalars(sa.select(Login.wrong)).all() == [0]
    assert session.scalars(sa.select(LoginAttempt.id).where(sa.not_(LoginAttempt.succeeded))).all() == []
    assert client.get("/house").status_code == 423


def test_a_piece_of_a_locked_page_tells_the_script(client: FormClient) -> None:
    client.post("/lock")
    answer = client.get("/customers", headers={"HX-Request": "true"})
    assert (answer.status_code, answer.headers["HX-Trigger"], answer.data) == (204, "bittern:locked", b"")


@pytest.mark.postgresql
def test_the_script_gets_the_box_alone_and_an_empty_answer_when_it_is_open(client: FormClient) -> None:
    assert client.get("/lock").status_code == 204
    locked = client.post("/lock", headers=SCRIPT)
    assert (locked.status_code, "<html" in locked.text, "secret-again" in locked.text) == (200, False, True)
    assert "secret-again" in client.get("/lock").text
    assert "4 tries left" in client.post("/unlock", headers=SCRIPT, data={"secret-again": "0000"}).text
    assert client.post("/unlock", headers=SCRIPT, data={"secret-again": PIN}).status_code == 204
    assert client.get("/lock").status_code == 204


def test_a_locked_person_may_log_out(client: FormClient) -> None:
    client.post("/lock")
    assert client.post("/logout").location == "/login"
    assert client.get("/house").status_code == 303


# ---- the PIN ----


@pytest.mark.postgresql
@pytest.mark.parametrize("pin", ["123", "1234567890123", "12a4", "0000", "4321", "3456", "٣٥١٨", " 2580", ""])
def test_a_pin_that_cannot_be_is_refused(client_as: ClientAs, session: Session, pin: str) -> None:
    client = client_as(Role.BENCH)
    answer = client.post("/my-login/pin", data={"current": PASSWORD, "pin": pin, "again": pin})
    assert answer.status_code == 422
    assert set(session.scalars(sa.select(User.pin_hash))) == {""}


def test_a_pin_needs_the_password_and_can_be_taken_away(client_as: ClientAs, session: Session) -> None:
    client = client_as(Role.BENCH)
    wrong = client.post("/my-login/pin", data={"current": "not it", "pin": PIN, "again": PIN})
    assert "This is not your password" in wrong.text
    assert client.post("/my-login/pin", data={"current": PASSWORD, "pin": PIN, "again": PIN}).status_code == 303
    kept = max(session.scalars(sa.select(User.pin_hash)))
    assert kept.startswith("$argon2id$") and PIN not in kept
    client.post("/my-login/pin/drop")
    session.rollback()
    assert set(session.scalars(sa.select(User.pin_hash))) == {""}


# ---- open logins ----


def test_the_owner_sees_and_ends_logins(client: FormClient, client_as: ClientAs, session: Session) -> None:
    clerk = client_as(Role.COUNTER)
    name = session.scalars(sa.select(User.name).where(User.role == Role.COUNTER)).one()
    page = client.get("/house/logins").text
    assert name in page and "this browser" in page
    number = session.scalars(sa.select(Login.id).order_by(Login.id.desc()).limit(1)).one()
    assert client.post(f"/house/logins/{number}/end").status_code == 303
    assert clerk.get("/customers").status_code == 303
    client.get("/house")  # shows the sentence about it, once
    assert name not in client.get("/house/logins").text


@pytest.mark.postgresql
def test_a_clerk_ends_only_their_own(client_as: ClientAs, session: Session) -> None:
    clerk, owner = client_as(Role.COUNTER), client_as(Role.OWNER)
    first, second = session.scalars(sa.select(Login.id).order_by(Login.id)).all()
    assert clerk.post(f"/my-login/{second}/end").status_code == 403
    assert clerk.post("/my-login/999/end").status_code == 404
    assert owner.get("/house").status_code == 200
    clerk.post(f"/my-login/{first}/end")
    assert clerk.get("/my-login").status_code == 303


def test_being_used_is_written_at_most_once_a_minute(client: FormClient, web: Flask, session: Session) -> None:
    seen = set()
    for seconds in range(0, 180, 10):
        later(web, seconds=seconds)
        client.get("/customers")
        session.rollback()
        seen.add(session.scalars(sa.select(Login.seen_at)).one())
    assert len(seen) == 3


@pytest.mark.postgresql
def test_a_house_changes_its_rules(client: FormClient, web: Flask) -> None:
    said = {"lock_minutes": "0", "proof_minutes": "5", "proof_of_bench": "y", "version": "0"}
    assert client.post("/house/logins", data=said).status_code == 303
    assert client.post("/house/logins", data=said).status_code == 409
    refused = client.post("/house/logins", data={**said, "lock_minutes": "1", "version": "1"})
    assert "2 to 240 minutes" in refused.text
    later(web, minutes=40)
    assert client.get("/house").status_code == 200


# ---- the password once more ----


def test_who_may_log_in_is_not_changed_at_a_screen_left_open(client: FormClient, web: Flask) -> None:
    later(web, minutes=11)
    assert client.get("/house").status_code == 200
    asked = client.post("/house/users/new", data={"name": "Mallory", "role": "owner"})
    assert (asked.status_code, "Your password once more" in asked.text) == (423, True)
    asked = client.get("/house/users/new")
    place = re.search(r'action="(/prove[^"]*)"', asked.text)
    assert place is not None
    assert client.post(place.group(1), data={"secret-again": "not it"}).status_code == 423
    done = client.post(place.group(1), data={"secret-again": PASSWORD})
    assert (done.status_code, done.location) == (303, "/house/users/new")
    assert client.get("/house/users/new").status_code == 200


def test_what_shows_bittings_asks_for_the_password(web: Flask) -> None:
    asks = {rule.endpoint: proof_of(web, rule.endpoint) for rule in web.url_map.iter_rules()}
    assert {endpoint: str(proof) for endpoint, proof in asks.items() if proof} == {
        "bench.bittings": "bittings",
        "bench.day_bittings": "bittings",
        "bench.day_sheet": "bittings",
        "bench.former": "bittings",
        "bench.pins": "bittings",
        "papers.secret": "bittings",
        "keying.pins": "bittings",
        "keysystems.bittings": "bittings",
        "keysystems.bitting_list_file": "bitting list",
        "keying.show_row_aside": "bittings",
        "keying.sent": "bitting list",
        "keying.sealed_list_file": "bitting list",
        "keying.sealed_letter_file": "bitting list",
        "house.new_user": "logins",
        "house.user": "logins",
        "house.password": "logins",
        "house.logins": "logins",
        "house.end_login": "logins",
        "house.no_second_factor": "logins",
        "mine.no_second_factor": "logins",
        "mine.no_pin": "logins",
        "mine.end": "logins",
        "backups.download": "copies",
        "moving.download": "copies",
        "privacy.download": "copies",
        "privacy.delete": "copies",
        "privacy.end_key": "copies",
    }


@pytest.mark.postgresql
@pytest.mark.parametrize(
    ("place", "typed"),
    [("/house/export/house.zip", {}), ("/house/backups/download", {"passphrase": "", "again": ""})],
)
def test_the_house_is_not_carried_away_from_a_screen_left_open(
    client: FormClient, web: Flask, place: str, typed: dict[str, str]
) -> None:
    later(web, minutes=11)
    asked = client.post(place, data=typed)
    assert (asked.status_code, "Your password once more" in asked.text) == (423, True)
    assert (
        client.post(place, data={**form_with(asked.text, "secret-again"), "secret-again": "not it"}).status_code
        == 423
    )
    done = client.post(place, data={**form_with(asked.text, "secret-again"), "secret-again": PASSWORD})
    assert done.status_code == (422 if typed else 200)  # the backup's own form has its say again
    done.close()


@pytest.fixture
def system_id(work: Work) -> int:
    """A key system with bittings."""
    return keyed_job(work).system.id


def test_a_bitting_list_asks_the_owner_again(
    client: FormClient, web: Flask, session: Session, system_id: int
) -> None:
    place = f"/key-systems/{system_id}/bitting-list.pdf"
    assert client.post(place).mimetype == "application/pdf"  # the login was just now
    later(web, minutes=11)
    asked = client.post(place)
    assert (asked.status_code, "Your password once more" in asked.text) == (423, True)
    assert client.post(place, data={**form_with(asked.text, "secret-again"), "secret-again": PIN}).status_code == 423
    with client.session_transaction() as held:
        before = held["login"]
    assert (
        client.post(place, data={**form_with(asked.text, "secret-again"), "secret-again": PASSWORD}).mimetype
        == "application/pdf"
    )
    with client.session_transaction() as held:
        assert held["login"] != before
    assert client.post(place).mimetype == "application/pdf"
    assert "password given again" in session.scalars(sa.select(Event.kind)).all()


def test_the_bench_is_asked_where_the_house_wants_it(
    web: Flask, client_as: ClientAs, work: Work, system_id: int
) -> None:
    bench, place = client_as(Role.BENCH), f"/key-systems/{system_id}/bittings"
    later(web, minutes=11)
    assert bench.post(place, data={"keyset": "1"}).status_code in (200, 404)
    set_rules(work, LoginRules(proof_of_bench=True), 0)
    assert bench.post(place, data={"keyset": "1"}).status_code == 423


def test_a_proof_from_a_clock_that_went_back_is_none(client: FormClient, web: Flask, system_id: int) -> None:
    later(web, minutes=-5)
    assert client.post(f"/key-systems/{system_id}/bitting-list.pdf").status_code == 423


def test_a_user_switched_off_is_out_at_once(web: Flask, session: Session) -> None:
    clerk, client = UserFactory(role=Role.COUNTER), FormClient(web)
    client.log_in(clerk)
    assert client.get("/customers").status_code == 200
    clerk.active = False
    session.commit()
    assert client.get("/customers").status_code == 303
