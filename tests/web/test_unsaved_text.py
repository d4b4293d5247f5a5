"""What was typed and could not be saved stands in its page again: after a login had ended, or a stale save."""

import re
from collections.abc import Callable
from datetime import timedelta
from html.parser import HTMLParser
from urllib.parse import parse_qs, urlsplit

import pytest
from flask import Flask
from sqlalchemy.orm import Session
from werkzeug.datastructures import MultiDict

from app.ledger.care.opening import Ledger
from app.ledger.tables import Role, User
from app.web.form_filling import filled
from app.web.unsaved_text import SECRET_BOXES
from tests import tour
from tests.conftest import NOW
from tests.factories import PASSWORD, CustomerFactory, FormClient, UserFactory
from tests.forms_found import form_with, forms_of
from tests.stocked import empty_house, posted

__all__ = ["empty_house"]

ClientAs = Callable[[Role | None], FormClient]
NOT_KEPT = {"password", "file", "submit", "image", "button", "hidden"}


class Boxes(HTMLParser):
    """The forms of a page that are posted: where each goes, its hidden fields, and what a person types into it."""

    def __init__(self, page: str, path: str) -> None:
        super().__init__()
        self.forms: list[tuple[str, list[tuple[str, str]], list[tuple[str, str, list[str]]]]] = []
        self.passwords: set[str] = set()
        self._path, self._is_inside = path, False
        self.feed(page)

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attributes}
        if tag == "form":
            self._is_inside = given.get("method", "").lower() == "post"
            if self._is_inside:
                self.forms.append((urlsplit(given.get("action", "")).path or self._path, [], []))
        if not self._is_inside:
            return
        _, hidden, boxes = self.forms[-1]
        name, kind = given.get("name", ""), given.get("type", "text") if tag == "input" else tag
        if tag in ("input", "textarea", "select") and name:
            if kind == "hidden":
                hidden.append((name, given.get("value", "")))
            elif kind == "password":
                self.passwords.add(name)
            boxes.append((name, kind, [given.get("value", "on")] if kind in ("checkbox", "radio") else []))
        elif tag == "option" and boxes and "value" in given:
            boxes[-1][2].append(given["value"])

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._is_inside = False

    @staticmethod
    def typed(boxes: list[tuple[str, str, list[str]]]) -> list[tuple[str, str]]:
        """Something in every box, every tick set, the last one of every list chosen."""
        said: list[tuple[str, str]] = []
        for name, kind, choices in boxes:
            if choices and not (kind == "radio" and name in dict(said)):
                said.append((name, choices[-1]))
            elif not choices and kind not in NOT_KEPT | {"select", "radio"}:
                said.append((name, f'Typed "{len(said)}" & <kept>'))
        return said


def sent_without_login(app: Flask, action: str, fields: list[tuple[str, str]], page: str) -> str:
    """The address to which a form leads that was sent when its login had ended, once its person has logged in."""
    answer = app.test_client().post(
        action, data=MultiDict(fields), headers={"Referer": f"http://localhost{page}", "Origin": "http://localhost"}
    )
    assert answer.status_code == 303 and answer.location.startswith("/login?"), action
    return parse_qs(urlsplit(answer.location).query)["next"][0]


def test_every_form_comes_back_typed_after_the_login(tmp_path_factory: pytest.TempPathFactory) -> None:
    with tour.demo_app(tmp_path_factory.mktemp("tour") / "instance") as (app, ledger):
        owner = tour.client_of(app, ledger, Role.OWNER)
        with ledger.sessions() as session:
            pages = tour.pages(app, session)
        seen: set[tuple[str, str]] = set()
        passwords: set[str] = set()
        for address in pages.values():
            path = address.partition("?")[0]
            if path.endswith((".pdf", ".zip")):
                continue
            with owner.get(address) as answer:
                if answer.status_code != 200 or answer.mimetype != "text/html":
                    continue
                page = Boxes(answer.text, path)
            passwords |= page.passwords
            for action, hidden, boxes in page.forms:
                typed = [pair for pair in Boxes.typed(boxes) if pair[0].rpartition("-")[2] not in SECRET_BOXES]
                if ("kind", "bitting list") in typed:
                    typed = [pair for pair in typed if pair[0] != "pasted"]
                if not typed or (action, str(boxes)) in seen:
                    continue
                seen.add((action, str(boxes)))
                secret = [(name, "tide-528614") for name, kind, _ in boxes if kind == "password"]
                again = owner.get(sent_without_login(app, action, [*hidden, *typed, *secret], address)).text
                stands = {(name, value.strip()) for form in forms_of(again) for name, value in form.fields}
                assert set(typed) <= stands, (address, action, set(typed) - stands)
                assert "What you typed stands here again" in again and "tide-528614" not in again
    assert len(seen) > 50
    assert passwords <= SECRET_BOXES


def test_what_was_typed_is_its_persons(web: Flask, client_as: ClientAs, owner: User) -> None:
    client = client_as(Role.OWNER)
    with client.session_transaction() as held:
        held["login"] = "ended elsewhere"
    sent = client.post("/customers/new", data={"name": "Harbour Lights Cafe"})
    place = parse_qs(urlsplit(sent.location).query)["next"][0]
    other = client_as(Role.COUNTER)
    shown = other.get(place).text
    assert "Harbour Lights" not in shown and "was typed by somebody else" in shown
    client.log_in(owner)
    assert form_with(client.get(place).text, "name")["name"] == "Harbour Lights Cafe"


@pytest.mark.parametrize(
    ("address", "box"), [("/keying/jobs/1001/customers-keys/7", "cuts"), ("/keying/decode", "measured")]
)
def test_no_cuts_of_a_key_are_kept(web: Flask, owner: User, address: str, box: str) -> None:
    place = sent_without_login(web, address, [(box, "275038"), ("why", "an old key")], address)
    kept = web.extensions["unsaved text"][place.rpartition("=")[2]]
    assert (kept.pairs, kept.has_gaps) == ([("why", "an old key")], True)


def test_no_bitting_list_and_no_answer_about_one_is_kept(web: Flask, owner: User) -> None:
    pasted = [("kind", "bitting list"), ("pasted", "key,bitting\nAA1,275038")]
    answers = [("keyway", "AQ1"), ("cuts-7", "275038"), ("zero-8", "075038"), ("level-7", "change")]
    for address, sent in (("/imports", pasted), (f"/imports/waiting/{'a' * 24}/bittings", answers)):
        place = sent_without_login(web, address, sent, address)
        kept = web.extensions["unsaved text"][place.rpartition("=")[2]]
        assert "5038" not in str(kept.pairs) and kept.pairs and kept.has_gaps
    place = sent_without_login(web, "/imports", [("kind", "doors"), ("pasted", "door\n101")], "/imports")
    assert ("pasted", "door\n101") in web.extensions["unsaved text"][place.rpartition("=")[2]].pairs


def test_only_the_page_of_its_form_shows_what_nobody_knows_the_writer_of(client_as: ClientAs, web: Flask) -> None:
    client = client_as(Role.COUNTER)
    place = sent_without_login(web, "/house/users/new", [("name", "Nell Curlew")], "/house/users/new")
    assert client.get(place).status_code == 403
    shown = client.get(place.replace("/house/users/new", "/counter"))
    assert shown.status_code == 200 and "Nell Curlew" not in shown.text
    assert form_with(client_as(Role.OWNER).get(place).text, "name")["name"] == "Nell Curlew"


def test_the_log_in_page_leads_back_to_what_was_typed(web: Flask, client_as: ClientAs) -> None:
    UserFactory(name="Petra")
    client_as(None)
    place = sent_without_login(web, "/customers/new", [("name", "Harbour Lights Cafe")], "/customers/new")
    client = FormClient(web)
    opened = client.post(f"/login?next={place}", data={"name": "Petra", "password": PASSWORD})
    assert (opened.status_code, opened.location) == (303, place)
    page = client.get(place).text
    assert form_with(page, "name")["name"] == "Harbour Lights Cafe"
    saved = client.post("/customers/new", data=form_with(page, "name"))
    assert saved.status_code == 303 and "Harbour Lights Cafe" in client.get(saved.location).text


@pytest.mark.parametrize("headers", [{"Origin": "http://elsewhere.example"}, {"Origin": "null"}])
def test_what_another_site_sends_is_not_kept(web: Flask, owner: User, headers: dict[str, str]) -> None:
    answer = web.test_client().post("/customers/new", data={"name": "Mallory"}, headers=headers)
    assert (answer.status_code, answer.location) == (303, "/login")


def test_whoever_has_no_login_does_not_fill_the_memory(web: Flask, owner: User) -> None:
    answer = web.test_client().post("/customers/new", data={"notes": "x" * 300_000})
    assert (answer.status_code, answer.location) == (303, "/login")
    first = sent_without_login(web, "/customers/new", [("name", "First")], "/customers/new")
    for _ in range(64):
        sent_without_login(web, "/customers/new", [("name", "Later")], "/customers/new")
    client = FormClient(web)
    client.log_in(owner)
    page = client.get(first).text
    assert "is not kept any more" in page and "First" not in page


def test_a_page_of_an_earlier_login_is_loaded_again_with_what_was_typed(client_as: ClientAs) -> None:
    client = client_as(Role.COUNTER)
    refused = client.post("/customers/new", data={"name": "Harbour Lights Cafe"}, csrf=False)
    assert refused.status_code == 400 and "Load it with what you typed" in refused.text
    place = re.findall(r'href="(/customers/new\?unsaved=[^"]+)"', refused.text)[0]
    assert form_with(client.get(place).text, "name")["name"] == "Harbour Lights Cafe"
    piece = client.post("/customers/new", data={"name": "x"}, csrf=False, headers={"HX-Request": "true"})
    assert piece.headers["HX-Redirect"].startswith("/customers/new?unsaved=")


def test_after_a_stale_save_what_was_typed_is_put_in_and_saved(client_as: ClientAs, session: Session) -> None:
    customer = CustomerFactory(name="Gull Bakery", phone="555-0100", notes="")
    address = f"/customers/{customer.id}/edit"
    mine, theirs = client_as(Role.COUNTER), client_as(Role.COUNTER)
    form = form_with(mine.get(address).text, "notes")
    assert theirs.post(address, data={**form, "phone": "555-0199"}).status_code == 303
    stale = mine.post(address, data={**form, "notes": "Rings twice."})
    assert stale.status_code == 409 and "Rings twice." in stale.text
    place = re.findall(r'href="([^"]+unsaved=[^"]+)"', stale.text)[0]
    again = mine.get(place).text
    assert "Somebody else saved it first" in again
    assert "<dt>Phone</dt><dd>555-0199</dd>" in again and "<dt>Name</dt>" not in again
    form = form_with(again, "notes")
    assert (form["notes"], form["phone"]) == ("Rings twice.", "555-0100")  # what stood on the page that was sent
    assert mine.post(address, data={**form, "phone": "555-0199"}).status_code == 303
    session.refresh(customer)
    assert (customer.notes, customer.phone) == ("Rings twice.", "555-0199")


def test_of_forms_that_go_to_one_place_the_one_is_filled_that_was_sent() -> None:
    row = '<form method="post" action="/tick"><input type="hidden" name="row" value="{}"><input name="note"></form>'
    page = "".join(map(row.format, range(3)))
    again, left, stood = filled(page, "/rows", "/tick", [("row", "1"), ("note", 'a "b" <c>'), ("gone", "d")])
    assert [dict(form.fields)["note"] for form in forms_of(again)] == ["", 'a "b" <c>', ""]
    assert (left, stood) == ([("gone", "d")], [("note", "")])
    assert filled(page, "/rows", "/elsewhere", [("note", "x")]) == (page, [("note", "x")], [])


def test_the_counters_lines_come_back(empty_house: Ledger, web: Flask, client_as: ClientAs) -> None:
    client = client_as(Role.COUNTER)
    typed = posted({"kind": "part", "part_number": "A18M-Q1-66.SC", "quantity": "7"}, title="For the shed")
    place = sent_without_login(web, "/counter/work-out", list(typed.items()), "/counter")
    assert place.startswith("/counter?unsaved=")
    page = client.get(place).text
    assert form_with(page, "title")["title"] == "For the shed"
    assert form_with(page, "lines-0-quantity")["lines-0-quantity"] == "7"


def test_what_waits_too_long_or_is_too_much_is_let_go(web: Flask, client_as: ClientAs) -> None:
    sent_without_login(web, "/customers/new", [("name", "First")], "/customers/new")
    web.extensions["clock"] = lambda: NOW + timedelta(hours=13)
    sent_without_login(web, "/customers/new", [("name", "Later")], "/customers/new")
    assert [kept.pairs for kept in web.extensions["unsaved text"].values()] == [[("name", "Later")]]
    client = client_as(Role.OWNER)
    with client.session_transaction() as held:
        held["login"] = "ended elsewhere"
    client.post("/customers/new", data={"notes": "x" * 999_000})
    assert len(web.extensions["unsaved text"]) == 2
    client.post("/customers/new", data={"notes": "x" * 1_000_001})
    assert len(web.extensions["unsaved text"]) == 2
