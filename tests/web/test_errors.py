"""What went wrong is said calmly, with what to do."""

import logging
from collections.abc import Callable, Sequence

import pytest
import sqlalchemy as sa
from flask import Flask, abort
from sqlalchemy.orm import Session

from app.errors import BitternError
from app.ledger.care.opening import Ledger
from app.ledger.store.errors import LedgerBusy, NotAllowed, NotFound, Stale, VaultError
from app.ledger.tables import Role, User
from app.web.access import public
from tests.factories import FormClient, UserFactory

ClientAs = Callable[[Role | None], FormClient]


def raising(web: Flask, error: Exception, methods: Sequence[str] = ("GET", "POST")) -> None:
    @public
    def view() -> str:
        raise error

    web.add_url_rule("/raising", "raising", view, methods=methods)


@pytest.mark.parametrize(
    ("error", "status", "says"),
    [
        (NotFound("job"), 404, "There is no such job on record."),
        (NotAllowed(), 403, "Your role does not permit this"),
        (LedgerBusy(), 503, "save again"),
        (VaultError("A sealed record does not open."), 500, "Tell the owner"),
        (BitternError("keys", "Enter a whole number of keys."), 400, "Enter a whole number of keys."),
        (Stale(), 409, "Somebody else saved this"),
    ],
)
def test_a_refusal_gets_its_own_page(
    web: Flask, owner_client: FormClient, error: Exception, status: int, says: str
) -> None:
    raising(web, error)
    answer = owner_client.get("/raising")
    assert answer.status_code == status
    assert says in answer.text
    assert "<h1" in answer.text


def test_a_busy_ledger_says_when_to_come_back(web: Flask, owner_client: FormClient) -> None:
    raising(web, LedgerBusy())
    assert owner_client.get("/raising").headers["Retry-After"] == "5"


def test_a_fault_shows_a_reference_and_never_what_broke(
    web: Flask, owner_client: FormClient, caplog: pytest.LogCaptureFixture
) -> None:
    raising(web, RuntimeError("the inside of the machine"))
    with caplog.at_level(logging.ERROR):
        answer = owner_client.get("/raising?secret=343621")
    assert answer.status_code == 500
    assert "the inside of the machine" not in answer.text
    reference = answer.text.split('<span class="code">')[1].split("<")[0]
    assert f"reference {reference}" in caplog.text
    assert "343621" not in caplog.text


def test_a_sentence_given_with_404_is_shown(web: Flask, owner_client: FormClient) -> None:
    web.add_url_rule("/gone", "gone", public(lambda: abort(404, "There is no job 12.")))
    assert "There is no job 12." in owner_client.get("/gone").text
    assert "There is no page at this address." in owner_client.get("/nowhere").text


def test_an_address_that_takes_no_post_says_so(owner_client: FormClient) -> None:
    assert owner_client.post("/house").status_code == 405


# ---- the users page, as the pattern of a page that saves ----


def test_a_stale_save_says_who_changed_what_and_shows_what_was_typed(
    client_as: ClientAs, session: Session, owner: User
) -> None:
    person = UserFactory(name="Bo", role=Role.COUNTER)
    mine, theirs = client_as(Role.OWNER), client_as(Role.OWNER)
    url, read = f"/house/users/{person.id}", person.version
    first = theirs.post(url, data={"role": "bench", "active": "y", "version": read})
    assert first.status_code == 303
    stale = mine.post(url, data={"role": "owner", "active": "y", "version": read})
    assert stale.status_code == 409
    assert "<b>Owner</b>" in stale.text and "Bo: role counter → bench" in stale.text
    assert "Owner: everything, prices and users too" in stale.text
    session.refresh(person)
    assert person.role is Role.BENCH


@pytest.mark.parametrize("version", ["", "x", "0", "-1", "99999999999999999999", "1e3", "²"])
def test_a_version_that_is_nonsense_is_stale(owner_client: FormClient, version: str) -> None:
    person = UserFactory()
    answer = owner_client.post(f"/house/users/{person.id}", data={"role": "bench", "version": version})
    assert answer.status_code == 409


@pytest.mark.parametrize(
    ("came_from", "again"),
    [("http://localhost/goods?q=a", "/goods?q=a"), ("http://elsewhere.example/prices", "/"), ("", "/")],
)
def test_where_an_address_shows_no_page_the_one_before_it_is_loaded_again(
    web: Flask, owner_client: FormClient, came_from: str, again: str
) -> None:
    raising(web, Stale(), methods=["POST"])
    answer = owner_client.post("/raising", data={"x": "1"}, headers={"Referer": came_from})
    assert answer.status_code == 409 and f'href="{again}">Load it as it is now' in answer.text


def test_a_stale_password_is_not_repeated(owner_client: FormClient) -> None:
    person = UserFactory()
    secret = "quay at low water 77"
    answer = owner_client.post(
        f"/house/users/{person.id}/password", data={"password": secret, "again": secret, "version": "9"}
    )
    assert answer.status_code == 409
    assert secret not in answer.text
    assert "never repeated" in answer.text


def test_without_a_form_the_typed_fields_are_shown_by_name(web: Flask, owner_client: FormClient) -> None:
    raising(web, Stale())
    answer = owner_client.post(
        "/raising", data={"shipping_note": "leave at the gate", "bitting": "343621", "password": "x", "pin": "0"}
    )
    assert "Shipping note" in answer.text and "leave at the gate" in answer.text
    assert "343621" not in answer.text


def test_the_last_owner_s_refusal_stands_beside_its_field(owner_client: FormClient, owner: User) -> None:
    answer = owner_client.post(f"/house/users/{owner.id}", data={"role": "bench", "version": owner.version})
    assert answer.status_code == 422
    assert "last owner" in answer.text.split('id="role-error"')[1]


def test_changing_oneself_keeps_this_login(owner_client: FormClient, owner: User) -> None:
    UserFactory(role=Role.OWNER)
    answer = owner_client.post(f"/house/users/{owner.id}/password", data={
        "password": "quay at low water", "again": "quay at low water", "version": owner.version,
    })  # fmt: skip
    assert answer.status_code == 303
    assert owner_client.get("/house").status_code == 200


def test_adding_the_same_name_twice_is_refused_beside_the_name(owner_client: FormClient) -> None:
    sent = {"name": "Bo", "role": "bench", "password": "quay at low water", "again": "quay at low water"}
    assert owner_client.post("/house/users/new", data=sent).status_code == 303
    again = owner_client.post("/house/users/new", data=sent)
    assert again.status_code == 422
    assert "on record as Bo already" in again.text.split('id="name-error"')[1]


def test_a_role_that_does_not_exist_is_refused(owner_client: FormClient) -> None:
    sent = {"name": "Bo", "role": "admiral", "password": "quay at low water", "again": "quay at low water"}
    assert owner_client.post("/house/users/new", data=sent).status_code == 422


def test_a_missing_user_is_404(owner_client: FormClient) -> None:
    assert owner_client.get("/house/users/999").status_code == 404
    assert owner_client.get("/house/users/99999999999999999999999").status_code == 404


def test_a_fault_of_the_database_does_not_log_what_was_being_saved(
    web: Flask, owner_client: FormClient, ledger: Ledger, caplog: pytest.LogCaptureFixture
) -> None:
    cuts = "-".join("343621")  # written otherwise in this file, whose lines stand in the traceback

    @public
    def view() -> str:
        with ledger.sessions() as session:
            session.execute(sa.text("INSERT INTO nowhere VALUES (:cuts)"), {"cuts": cuts})
        return ""

    web.add_url_rule("/raising", "raising", view)
    with caplog.at_level(logging.ERROR):
        assert owner_client.get("/raising").status_code == 500
    assert "INSERT INTO nowhere" in caplog.text
    assert cuts not in caplog.text
