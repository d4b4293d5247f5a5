"""The owner's page of a system's array at makers, from the system's page on; nobody else has it."""

import re
from collections.abc import Callable

from flask.testing import FlaskClient
from sqlalchemy.orm import Session

from app.ledger.keysystems.sent_arrays import sent_arrays
from app.ledger.store.work import Work
from app.ledger.tables import Role
from tests import factories
from tests.reading import pdf_text
from tests.web.keying.keying_system import bittings_in_clear, system_in_service

ClientAs = Callable[[Role | None], FlaskClient]


def test_the_owner_sends_an_array_from_the_systems_page_and_hears_what_became_of_it(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    system = system_in_service(work)
    factories.HouseFactory()
    maker = factories.MakerFactory(name="Ardent Brass")
    counter, client = client_as(Role.COUNTER), client_as(Role.OWNER)
    shown = client.get(f"/key-systems/{system.id}").text
    [page] = re.findall(r'href="([^"]+)"[^>]*>Send the array', shown)
    assert "No copy of this system's array" in re.sub("&#39;|’", "'", client.get(page).text)
    refused = client.post(page, data={"maker_id": "", "person": "", "purpose": "", "way": ""})
    assert refused.status_code == 422
    for told in (
        "Choose the maker",
        "Enter for whom it is there",
        "Say what the factory needs",
        "Say how the sealed",
    ):
        assert told in refused.text
    data = {"maker_id": str(maker.id), "person": "M. Fern", "purpose": "Keys 40 into it", "way": "by hand"}
    assert client.post(page, data=data).status_code == 303
    [sent] = sent_arrays(session, system.id)
    listed = client.get(page).text
    papers = re.findall(r'action="([^"]+\.pdf)"', listed)
    texts = [pdf_text(client.post(paper).data) for paper in papers]
    clear = bittings_in_clear(work, system).values()
    squeezed = [re.sub(r"\s", "", text) for text in texts]
    assert all(bitting in squeezed[0] for bitting in clear)
    assert not any(bitting in squeezed[1] or bitting in listed for bitting in clear)
    assert system.name not in texts[0] and system.name in texts[1]
    assert "It is on its way." in counter.get(f"/key-systems/{system.id}").text
    answer = client.post(f"{page}/{sent.number}", data={"state": "lost", "note": "the envelope came open"})
    assert answer.status_code == 303
    assert "That copy is lost" in client.get(f"/key-systems/{system.id}").text
    assert "the envelope came open" in client.get(page).text


def test_nobody_else_sends_prints_or_sees_it(client_as: ClientAs, work: Work) -> None:
    system = system_in_service(work)
    page = f"/keying/systems/{system.id}/sent-arrays"
    for role in (Role.COUNTER, Role.BENCH):
        client = client_as(role)
        assert client.get(page).status_code == 403
        for path in (page, f"{page}/1", f"{page}/1/list.pdf", f"{page}/1/letter.pdf"):
            assert client.post(path).status_code == 403
        assert "Send the array" not in client.get(f"/key-systems/{system.id}").text
