"""Settings, Personal data: found, handed over, shown before and after, deleted; then no page or paper names them."""

import io
import re
import zipfile
from collections.abc import Iterator

import pytest
import sqlalchemy as sa
from flask import Flask
from openpyxl import load_workbook

from app.ledger.care.opening import Ledger
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Contact, Customer, Deletion, Event, FormerName, KeyCount, KeySystem, Loss, Role, User
from tests import tour
from tests.conftest import NOW
from tests.factories import FormClient
from tests.ledger.privacy.conftest import DENTIST, prepare
from tests.reading import pdf_text, words_of

NAMES = ("Lantern Row", "A. Lantern", "Sandpiper", "Curlew", "555-0123", "lanternrow.example", "Tärnfeld")
PASSWORD = "tide-owner-12"


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Flask, Ledger]]:
    """The demo house, whose dentist can be deleted."""
    with tour.demo_app(tmp_path_factory.mktemp("privacy") / "instance") as made:
        with made[1].sessions() as session:
            owner = session.scalars(sa.select(User).where(User.role == Role.OWNER)).one()
            prepare(Work(session, made[1].vault, Actor.of(owner), NOW))
        yield made


@pytest.fixture
def client(house: tuple[Flask, Ledger]) -> FormClient:
    return tour.client_of(*house, Role.OWNER)


def test_found_by_any_name_and_shown_before_and_after(house: tuple[Flask, Ledger], client: FormClient) -> None:
    page = words_of(client.get("/house/personal-data?q=sandpiper").text)
    assert "M. Sandpiper, reception signed for keys or picked up" in page
    page = words_of(client.get("/house/personal-data?q=lantern").text)
    assert f"{DENTIST} customer" in page and "Dr A. Lantern" in page
    page = words_of(client.get(_address(house, Customer, DENTIST)).text)
    assert "555-0123 nothing" in page and f"{DENTIST} saved customer removed 1 saved" in page
    assert "How many years this house keeps them is not settled" in page and "Ask a lawyer." in page
    assert client.get("/house/personal-data/nobody/1").status_code == 404
    assert client.get("/house/personal-data/job/999999").status_code == 404


def test_the_counter_has_no_part_in_it(house: tuple[Flask, Ledger]) -> None:
    counter = tour.client_of(*house, Role.COUNTER)
    assert counter.get(_address(house, Customer, DENTIST)).status_code == 403
    assert "Personal data" not in counter.get("/customers/2").text


def test_all_that_is_kept_is_one_file_without_other_people(house: tuple[Flask, Ledger], client: FormClient) -> None:
    address = _address(house, Customer, DENTIST)
    with house[1].sessions() as session:
        system = session.scalars(sa.select(KeySystem).where(KeySystem.name == DENTIST)).one()
        lost = {"system_id": system.id, "keyset_id": system.keysets[0].id, "reported_at": NOW, "closed_at": NOW}
        session.add(Loss(**lost, note="on the ferry"))
        session.add(FormerName(customer_id=system.customer_id, name="Gannet Dentists", until=NOW.date()))
        counted = {"customer_id": system.customer_id, "started_at": NOW, "ended_at": NOW}
        session.add(KeyCount(**counted, why_stopped="the practice closed"))
        session.commit()
    answer = client.post(f"{address}/file", data={})
    with zipfile.ZipFile(io.BytesIO(answer.data)) as packed:
        page, book = (
            packed.read("read me first.html").decode(),
            load_workbook(io.BytesIO(packed.read("records.xlsx"))),
        )
    assert f"keeps about {DENTIST}" in page
    rows = {sheet.title: [tuple(row) for row in sheet.iter_rows(values_only=True)] for sheet in book}
    assert rows["customers"][1][:4] == (DENTIST, "555-0123", "desk@lanternrow.example", "14 Lantern Row, Saltmarsh")
    assert [row[1] for row in rows["payments"][1:]] and len(rows["doors"]) == 7 and len(rows["keys"]) > 10
    assert [row[0] for row in rows["former names"][1:]] == ["Gannet Dentists"]
    assert [row[-1] for row in rows["key counts"][1:]] == ["the practice closed"]
    assert any("on the ferry" in row for row in rows["losses"])
    words = " ".join(str(cell) for sheet in rows.values() for row in sheet for cell in row)
    for stranger in ("Cora", "Bram", "Wren", "Otter", "Sheldrake", "Bitting", "cost"):
        assert not re.search(rf"\b{stranger}\b", words), stranger
    with house[1].sessions() as session:
        told = session.scalars(sa.select(Event).order_by(Event.id.desc()).limit(1)).one()
        assert (told.kind, told.summary) == (
            "personal data handed over",
            "All that is kept about a customer was handed over",
        )


def test_a_person_is_handed_their_own_receipt_and_nobody_elses(
    house: tuple[Flask, Ledger], client: FormClient
) -> None:
    with house[1].sessions() as session:
        signed = sa.select(Event).where(Event.kind == "keys issued").order_by(Event.id)
        event = next(one for one in session.scalars(signed) if one.detail["holder"] == "M. Sandpiper, reception")
    answer = client.post(f"/house/personal-data/event/{event.id}/file", data={})
    with zipfile.ZipFile(io.BytesIO(answer.data)) as packed:
        book = load_workbook(io.BytesIO(packed.read("records.xlsx")))
    rows = list(book["events"].iter_rows(values_only=True))
    assert any("Name: M. Sandpiper, reception" in str(row) for row in rows)
    assert not any(name in str(rows) for name in ("Dr A. Lantern", "Curlew", "Wren", "Cora"))


def test_a_wrong_name_keeps_what_was_typed_and_deletes_nothing(
    house: tuple[Flask, Ledger], client: FormClient
) -> None:
    answer = client.post(_address(house, Customer, DENTIST), data={"name": "Lantern", "also": "the dentist's"})
    assert answer.status_code == 422 and "the dentist&#39;s" in answer.text
    assert f"Type the name as it stands here, to confirm: {DENTIST}." in words_of(answer.text)
    with house[1].sessions() as session:
        assert session.scalar(sa.select(sa.func.count(Deletion.id))) == 0


def test_after_it_no_page_and_no_paper_has_the_names(house: tuple[Flask, Ledger], client: FormClient) -> None:
    app, ledger = house
    answer = client.post(_address(house, Customer, DENTIST), data={"name": DENTIST})
    assert answer.status_code == 303
    with ledger.sessions() as session:
        pages = tour.looks(app, session)
        deletion = session.scalars(sa.select(Deletion)).one()
        assert deletion.scrubbed_at == NOW
    job = client.get("/jobs/1003").text
    listed = sorted(set(re.findall(r'href="(/(?:jobs|quotes)/1003/[a-z0-9/-]+\.(?:pdf|csv))"', job)))
    papers = [one for one in listed if one.endswith((".csv", "key-holders.pdf", "/quote.pdf"))]
    assert len(papers) == 5 and "customer removed 1" in job
    told = []
    rooms = ("/customers", "/jobs", "/keys", "/day", "/house", "/search")
    shown = {one for one in pages if one.startswith(rooms) and not one.endswith(".pdf")}
    for address in sorted({*shown, "/customers/2", "/jobs/1003", "/keysystems/2", "/search?q=lantern"}):
        page = client.get(address)
        told += [(address, name) for name in NAMES if name in page.text] if page.mimetype == "text/html" else []
        page.close()
    for address in papers:
        paper = client.get(address)
        text = pdf_text(paper.data) if address.endswith(".pdf") else paper.text
        told += [(address, name) for name in NAMES if name in text]
    assert told == []
    page = words_of(client.get("/house/personal-data").text)
    assert "Deletion 1, 25 Nov 2026" in page and "No backup and no export from before is on record." in page
    client.post("/house/personal-data/deletions/1/key", data={})
    assert "key destroyed" in words_of(client.get("/house/personal-data").text)


def test_what_waits_to_be_saved_is_cleaned_too(house: tuple[Flask, Ledger], client: FormClient) -> None:
    """The text that a clerk typed stays where a save could not be taken, without the name."""
    from app.web.unsaved_text import clean_unsaved, keep_unsaved

    app, _ = house
    with app.test_request_context("/customers/new", method="POST", data={"notes": "call Zoë Tärnfeld"}):
        keep_unsaved("The login had ended.")
        clean_unsaved(lambda text: text.replace("Zoë Tärnfeld", "person removed 9"))
        kept = next(reversed(app.extensions["unsaved text"].values()))
    assert dict(kept.pairs) == {"notes": "call person removed 9"}


def _address(house: tuple[Flask, Ledger], table: type[Customer] | type[Contact], name: str) -> str:
    with house[1].sessions() as session:
        row_id = session.scalars(sa.select(table.id).where(table.name == name)).one()
    return f"/house/personal-data/{table.__tablename__[:-1]}/{row_id}"
