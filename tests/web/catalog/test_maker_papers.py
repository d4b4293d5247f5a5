"""The makers' papers on pages: added by the owner with progress, found by everybody, opened at the page."""

import io
import json
import re
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from app.ledger.catalog.makers import import_maker
from app.ledger.tables import Maker, MakerPaper, Role
from app.web.background import Runs
from tests.forms_found import form_with
from tests.plain_pdf import plain_pdf
from tests.stocked import posted

DEMO = Path(__file__).resolve().parents[3] / "demo_data" / "makers"
PAGES = [[f"Catalog page {number}", f"QX{number:03d}-66 mortise cylinder, satin brass"] for number in range(1, 801)]


@pytest.fixture
def maker(work) -> Maker:
    return import_maker(work, json.loads((DEMO / "ardent_brass.json").read_text()))


def sent(client: FlaskClient, maker: Maker, content: bytes, title: str = "Catalog") -> str:
    """The address of the run that a sent paper began; or the page that refuses it."""
    place = f"/makers/{maker.id}/papers/new"
    form = form_with(client.get(place).text, "title")
    data = {**form, "title": title, "file": (io.BytesIO(content), "catalog.pdf")}
    answer = client.post(place, data=data, content_type="multipart/form-data")
    return str(answer.location or answer.text)


def settled(client: FlaskClient, place: str) -> str:
    """The page of a run once its thread is done."""
    runs: Runs = client.application.extensions["background runs"]
    run = runs.find(place.rpartition("/")[2])
    assert run is not None and run.thread is not None
    run.thread.join()
    return str(client.get(place).text)


def test_a_catalog_of_800_pages_is_taken_in_and_a_number_opens_its_page(
    owner_client, client_as, maker: Maker
) -> None:
    page = settled(owner_client, sent(owner_client, maker, plain_pdf(PAGES)))
    assert "Saved: 800 pages." in page and "without text" not in page
    counter = client_as(Role.COUNTER)
    for asked in ("/search?q=qx73166", "/fit?q=QX731-66", f"/makers/papers?maker={maker.id}&q=QX731"):
        (link,) = re.findall(r'href="(/makers/papers/\d+/pages/\d+)\?q=', counter.get(asked).text)
        assert link.endswith("/pages/731"), asked
    shown = counter.get(link + "?q=QX731-66").text
    assert "Catalog, page 731" in shown and "pages/730" in shown and "pages/732" in shown
    assert counter.get(link + "/picture.png?q=QX731-66").data.startswith(b"\x89PNG")
    assert "Note what we know" not in shown and "papers/new" not in counter.get("/makers/papers").text


def test_a_number_in_the_quick_line_that_nobody_knows_is_looked_up(client_as, owner_client, maker: Maker) -> None:
    settled(owner_client, sent(owner_client, maker, plain_pdf([["Narrow locks: use cam C-44"], ["nothing"]])))
    page = client_as(Role.COUNTER).post("/counter/work-out", data=posted(quick="2 C-44", add="quick")).text
    assert re.findall(r'href="(/makers/papers/\d+/pages/\d+\?q=[^"]+)"', page) == ["/makers/papers/1/pages/1?q=C-44"]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (plain_pdf([[], []]), "it is a scan. Its pages can be looked at"),
        (plain_pdf([["text"], []]), "1 page without text"),
        (b"%PDF-1.4 cut", "no PDF that can be read"),
    ],
)
def test_what_has_no_text_is_said(owner_client, maker: Maker, content: bytes, says: str) -> None:
    assert says in settled(owner_client, sent(owner_client, maker, content))


def test_a_file_that_is_no_pdf_is_refused_at_its_field(owner_client, maker: Maker) -> None:
    page = sent(owner_client, maker, b"number,words\n", "List")
    assert "This is no PDF." in page and 'value="List"' in page


def test_what_is_known_from_a_page_is_noted_and_removed(owner_client, maker: Maker, session) -> None:
    settled(owner_client, sent(owner_client, maker, plain_pdf([["cams"]])))
    place = f"/makers/papers/{session.query(MakerPaper.id).scalar()}/pages/1"
    form = form_with(owner_client.get(place).text, "topic")
    noted = owner_client.post(
        place + "/notes", data={**form, "topic": "cam", "name": "hooked"}, follow_redirects=True
    )
    assert "From here: cam <b>hooked</b>" in noted.text
    (remove,) = re.findall(r'action="(/makers/papers/notes/\d+/remove)"', noted.text)
    assert "From here" not in owner_client.post(remove, data=form, follow_redirects=True).text


def test_a_paper_is_renamed_and_deleted(owner_client, maker: Maker, session) -> None:
    settled(owner_client, sent(owner_client, maker, plain_pdf([["cams"]])))
    place = f"/makers/papers/{session.query(MakerPaper.id).scalar()}"
    form = form_with(owner_client.get(place + "/change").text, "title")
    saved = owner_client.post(place + "/change", data={**form, "title": "Manual"}, follow_redirects=True)
    assert "Manual" in saved.text
    form = form_with(owner_client.get(place + "/change").text, "title")
    gone = owner_client.post(place + "/delete", data=form, follow_redirects=True)
    assert "The paper is deleted." in gone.text and "No catalog, manual or list" in gone.text
