"""Settings, Export and import: the owner's page, shown before it is saved."""

from collections.abc import Callable

import sqlalchemy as sa
from werkzeug.test import TestResponse

from app.ledger.store.work import Work
from app.ledger.tables import Door, Role
from tests import factories
from tests.desk import upload
from tests.factories import FormClient
from tests.forms_found import form_with
from tests.keyed import keyed_job
from tests.moved import demo_taken

ClientAs = Callable[[Role | None], FormClient]


def send(client: FormClient, content: bytes, name: str = "house.zip") -> TestResponse:
    return upload(client, "/house/export", content, name)


def test_everything_goes_out_and_a_row_that_is_missing_comes_back(work: Work, owner_client: FormClient) -> None:
    keyed_job(work)
    factories.DoorFactory(opening_number="LAST")
    assert "CSV files in one ZIP" in owner_client.get("/house/export").text
    file = owner_client.post("/house/export/house.zip")
    assert file.status_code == 200 and file.mimetype == "application/zip"
    assert owner_client.post("/house/export/house.xlsx").status_code == 200
    assert "is here already" in send(owner_client, file.data).text

    work.session.execute(sa.delete(Door).where(Door.opening_number == "LAST"))
    work.session.commit()
    plan = send(owner_client, file.data)
    assert plan.status_code == 200 and "Nothing is saved yet" in plan.text
    sent = form_with(plan.text, "seal")
    assert owner_client.post("/house/export/record", data=sent).status_code == 303
    assert owner_client.post("/house/export/house.zip").data == file.data
    assert owner_client.post("/house/export/record", data=sent).status_code == 400  # the file is let go


def test_refusals_stand_on_the_page(work: Work, owner_client: FormClient) -> None:
    factories.SiteFactory(name="Hall")
    file = owner_client.post("/house/export/house.zip").data
    work.session.execute(sa.text("UPDATE sites SET name = 'Another'"))
    work.session.commit()
    refused = send(owner_client, file)
    assert refused.status_code == 422 and "sites, row 2, name" in refused.text
    assert "no ZIP file" in send(owner_client, b"x").text
    assert "Choose a file first" in owner_client.post("/house/export").text
    assert owner_client.post("/house/export/house.csv").status_code == 404


def test_the_page_is_the_owners(client_as: ClientAs) -> None:
    for role in (Role.COUNTER, Role.BENCH):
        client = client_as(role)
        assert client.get("/house/export").status_code == 403
        assert client.post("/house/export/house.zip").status_code == 403
        assert client.post("/house/export/record").status_code == 403


def test_jobs_come_in_with_people_who_have_no_login(work: Work, owner_client: FormClient) -> None:
    plan = send(owner_client, demo_taken())
    assert "Nobody here is called Cora, Wren, Bram. They are entered as people who cannot log in" in plan.text
    sent = form_with(plan.text, "seal")
    assert owner_client.post("/house/export/record", data=sent).status_code == 303
    assert owner_client.get("/jobs/1004").status_code == 200
    people = owner_client.get("/house").text
    assert "Cora" in people and people.count("kept out") >= 2
