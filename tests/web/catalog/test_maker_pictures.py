"""Pictures beside names: put by the owner, seen on the maker's page and in Fit by whoever chooses by eye."""

import io
import json
import re
from pathlib import Path

import pytest
from PIL import Image

from app.ledger.catalog.makers import import_maker
from app.ledger.tables import Maker, MakerPicture, Role
from tests.forms_found import form_with

DEMO = Path(__file__).resolve().parents[3] / "demo_data" / "makers"


@pytest.fixture
def maker(work) -> Maker:
    return import_maker(work, json.loads((DEMO / "ardent_brass.json").read_text()))


def photo(color: str = "#a06030", size: int = 900) -> bytes:
    made = io.BytesIO()
    Image.new("RGB", (size, size), color).save(made, "PNG")
    return made.getvalue()


def send(client, maker: Maker, shows: str, content: bytes):
    place = f"/makers/{maker.id}/pictures"
    form = form_with(client.get(place).text, "shows")
    data = {**form, "shows": shows, "file": (io.BytesIO(content), "p.png")}
    return client.post(place, data=data, content_type="multipart/form-data", follow_redirects=True)


def test_a_picture_stands_where_somebody_chooses_by_eye(owner_client, client_as, maker: Maker, session) -> None:
    for shows in ("keyway AQ1", "cam standard", "key blank AK6-12"):
        assert "is saved" in send(owner_client, maker, shows, photo()).text
    counter = client_as(Role.COUNTER)
    assert len(re.findall(r'src="/makers/pictures/\d+\.jpg"', counter.get(f"/makers/{maker.id}").text)) == 3
    for asked in ("/fit/key", "/fit?q=AQ1", "/fit/cam?lock=Ferry+40+passage+lock", "/fit?q=AK6-12"):
        assert re.search(r'src="/makers/pictures/\d+\.jpg"', counter.get(asked).text), asked
    (number,) = session.query(MakerPicture.id).filter_by(name="AQ1").one()
    drawn = Image.open(io.BytesIO(counter.get(f"/makers/pictures/{number}.jpg").data))
    assert (drawn.format, max(drawn.size)) == ("JPEG", 320)
    assert counter.get(f"/makers/{maker.id}/pictures").status_code == 403


def test_a_second_picture_takes_the_place_of_the_first_and_goes_when_deleted(
    owner_client, maker: Maker, session
) -> None:
    send(owner_client, maker, "keyway AQ1", photo("#ff0000"))
    page = send(owner_client, maker, "keyway AQ1", photo("#0000ff"))
    (number,) = session.query(MakerPicture.id).one()
    drawn = Image.open(io.BytesIO(owner_client.get(f"/makers/pictures/{number}.jpg").data))
    assert drawn.getpixel((5, 5))[2] > 200
    (place,) = re.findall(r'action="(/makers/pictures/\d+/delete)"', page.text)
    assert "The picture is deleted." in owner_client.post(place, follow_redirects=True).text
    session.rollback()
    assert session.query(MakerPicture).count() == 0


@pytest.mark.parametrize(
    ("shows", "content", "says"),
    [
        ("keyway ZZ9", photo(), "Choose what the picture shows."),
        ("keyway AQ1", b"%PDF-1.7", "damaged or not what it seems"),
        ("keyway AQ1", photo()[:300], "damaged or not what it seems"),
    ],
)
def test_what_cannot_be_kept_is_refused_at_its_box(owner_client, maker: Maker, session, shows, content, says) -> None:
    answer = send(owner_client, maker, shows, content)
    assert answer.status_code == 422 and says in answer.text and session.query(MakerPicture).count() == 0
