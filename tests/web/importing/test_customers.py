"""A table of customers goes in: sent, asked about, shown, saved, undone."""

import threading
from collections.abc import Callable
from typing import Any

import pytest
import sqlalchemy as sa

from app.ledger.importing.imports import undo_import
from app.ledger.store.work import Work
from app.ledger.tables import Contact, Customer, PriceTier, Role
from app.web import background
from tests import factories
from tests.desk import upload
from tests.factories import FormClient
from tests.forms_found import form_with

ClientAs = Callable[[Role | None], FormClient]

LIST = """Customers of Lantern Row,,,,,
,,,Contact,,
Company,Town,Zip,Name,Telephone,Price level
Saltmarsh College,Saltmarsh,01999,Ann Reed,555 010-0101,trade
Saltmarsh College,,,Bo Marsh,555 010-0102,
Lantern Dental,Saltmarsh,01998.0,,,old
,,,,,
Total,2,,,,
"""


def send(client: FormClient, content: bytes, name: str = "customers.csv", kind: str = "customers") -> str:
    """Send a table; the page after it."""
    answer = upload(client, "/imports", content, name, kind=kind)
    assert answer.status_code == 303, answer.text
    return follow(client, answer.headers["Location"])


def follow(client: FormClient, address: str) -> str:
    """The page that an address leads to in the end."""
    while (answer := client.get(address)).status_code == 303:
        address = answer.headers["Location"]
    assert answer.status_code == 200
    return answer.text


def customers(work: Work) -> dict[str, tuple[str, str, str]]:
    work.session.rollback()
    rows = sa.select(Customer.name, Customer.phone, Customer.address, Customer.tier)
    return {name: tuple(rest) for name, *rest in work.session.execute(rows)}


def test_an_awkward_list_goes_in_and_comes_out_again(work: Work, owner_client: FormClient) -> None:
    work.session.add(PriceTier(name="Contractor", percent_off="10"))
    factories.CustomerFactory(name="LANTERN DENTAL", phone="", address="", tier="")
    work.session.commit()
    asked = send(owner_client, LIST.encode())
    assert "What the words under Price tier mean" in asked
    boxes = form_with(asked, "sender")
    assert boxes["sender"] == "Customers of Lantern Row"
    assert [boxes[f"column-{place}"] for place in range(6)] == [
        "name",
        "city",
        "zip",
        "contact",
        "contact phone",
        "tier",
    ]
    boxes |= {"word-tier-trade": "Contractor", "word-tier-old": "-"}
    answer = owner_client.post(action_of(asked, "columns"), data=boxes)
    shown = follow(owner_client, answer.headers["Location"])
    assert "2 new" in shown and "1 changed" in shown and "&#39;Total&#39; is a total" in shown
    assert customers(work) == {"LANTERN DENTAL": ("", "", "")}

    saved = owner_client.post(action_of(shown), data=form_with(shown, "seal"))
    assert customers(work) == {
        "LANTERN DENTAL": ("", "Saltmarsh 01998", ""),
        "Saltmarsh College": ("", "Saltmarsh 01999", "Contractor"),
    }
    people = work.session.execute(sa.select(Contact.name, Contact.phone).order_by(Contact.name)).all()
    assert [tuple(one) for one in people] == [("Ann Reed", "555 010-0101"), ("Bo Marsh", "555 010-0102")]

    # The same columns in another order are read as last time, without a question.
    again = b"Contact telephone,Contact name,Company,Price level,Town,Zip\n555 010-0177,Cy,Pell,trade,Saltmarsh,1\n"
    assert "1 new" in send(owner_client, again) and len(customers(work)) == 2

    page = owner_client.get(saved.headers["Location"]).text
    owner_client.post(action_of(page, "undo"), data=form_with(page, "version"))
    assert customers(work) == {"LANTERN DENTAL": ("", "", "")}
    assert work.session.scalar(sa.select(sa.func.count(Contact.id))) == 0


def test_words_are_left_empty_in_a_house_that_has_none_of_its_own(work: Work, owner_client: FormClient) -> None:
    """A new house has no price tier: what was said of the sender's was dropped, and each row stood aside."""
    asked = send(owner_client, b"Company,Price level\nPell,trade\nMoor Works,\n")
    boxes = form_with(asked, "sender") | {"word-tier-trade": "-"}
    shown = follow(owner_client, owner_client.post(action_of(asked, "columns"), data=boxes).headers["Location"])
    assert "2 new" in shown and "none of ours" not in shown
    owner_client.post(action_of(shown), data=form_with(shown, "seal"))
    assert customers(work) == {"Pell": ("", "", ""), "Moor Works": ("", "", "")}


def test_an_import_that_takes_long_to_undo_is_undone_in_the_background(
    work: Work, owner_client: FormClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = send(owner_client, b"Company,Contact name\nPell,Ann\nMoor Works,Bo\n")
    saved = owner_client.post(action_of(shown), data=form_with(shown, "seal")).headers["Location"]
    page, go = owner_client.get(saved).text, threading.Event()

    def slow(*asked: Any, **more: Any) -> Any:
        assert go.wait(60)
        return undo_import(*asked, **more)

    monkeypatch.setattr("app.web.importing.views.undo_import", slow)
    monkeypatch.setattr(background, "AT_ONCE", 0.0)
    address, boxes = action_of(page, "undo"), form_with(page, "version")
    for _ in range(2):
        where = owner_client.post(address, data=boxes).headers["Location"]
        assert "You may leave this page" in owner_client.get(where).text and len(customers(work)) == 2
    with owner_client.application.app_context():
        run = background.known_run(f"undo {address.split('/')[2]}")
        go.set()
        assert run is not None and run.awaited(however_long=True)
    assert owner_client.get(where, headers={"HX-Request": "true"}).headers["HX-Refresh"] == "true"
    assert "everything stands as before" in follow(owner_client, where) and customers(work) == {}
    # Pressed once more on a page that was left open, it says what happened meanwhile.
    monkeypatch.setattr(background, "AT_ONCE", 60.0)
    assert owner_client.post(address, data=boxes).status_code == 409


def test_another_row_may_be_said_to_be_the_head(work: Work, owner_client: FormClient) -> None:
    asked = send(owner_client, b"Ours,Theirs\nQuay,Pell\nMoor Works,Old Mill\n")
    address, boxes = action_of(asked, "columns"), form_with(asked, "sender")
    assert boxes["head"] == "0"  # nothing tells these words from names
    again = follow(owner_client, owner_client.post(address, data={**boxes, "head": "1"}).headers["Location"])
    assert "<b>Theirs</b>" in again and "2 rows" in again
    boxes = form_with(again, "sender") | {"column-0": "name"}
    assert "2 new" in follow(owner_client, owner_client.post(address, data=boxes).headers["Location"])


def action_of(page: str, deed: str = "save") -> str:
    """The address of the form that does something."""
    return next(
        part.partition('"')[0] for part in page.split('action="')[1:] if part.partition('"')[0].endswith(f"/{deed}")
    )
