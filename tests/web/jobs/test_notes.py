"""Notes and files on the job page: who may, what is refused beside its field, and how a file is served."""

import io
from collections.abc import Callable

import pytest
from PIL import Image
from werkzeug.test import TestResponse

from app.config import Config
from app.ledger.store.work import Work
from app.ledger.tables import Event, JobFile, Role
from tests import factories
from tests.desk import upload
from tests.factories import FormClient

ClientAs = Callable[[Role | None], FormClient]


def picture(kind: str = "JPEG") -> bytes:
    made = io.BytesIO()
    Image.new("RGB", (40, 30), "#a06030").save(made, kind)
    return made.getvalue()


def send(client: FormClient, number: int, content: bytes, name: str, about: str = "") -> TestResponse:
    return upload(client, f"/jobs/{number}/files", content, name, about=about)


@pytest.mark.parametrize("role", [Role.COUNTER, Role.BENCH])
def test_a_note_stands_in_the_story_with_who_and_when(client_as: ClientAs, role: Role) -> None:
    job = factories.JobFactory()
    client = client_as(role)
    answer = client.post(f"/jobs/{job.number}/notes", data={"note": "Wants <b>brass</b>\nby Friday"})
    assert answer.status_code == 303 and answer.location.endswith("#story")
    page = client.get(f"/jobs/{job.number}").text
    assert "Wants &lt;b&gt;brass&lt;/b&gt;\nby Friday" in page
    assert "25 Nov 2026" in page


def test_an_empty_or_endless_note_is_refused_beside_its_field_and_kept(client_as: ClientAs, work: Work) -> None:
    job = factories.JobFactory()
    client = client_as(Role.COUNTER)
    answer = client.post(f"/jobs/{job.number}/notes", data={"note": "  "})
    assert answer.status_code == 422 and "Write the note first." in answer.text
    answer = client.post(f"/jobs/{job.number}/notes", data={"note": "y" * 10_000})
    assert answer.status_code == 422 and "At most 2,000 characters" in answer.text and "y" * 10_000 in answer.text
    answer = client.post(f"/jobs/{job.number}/notes", data={"note": "card 4111 1111 1111 1111"})
    assert answer.status_code == 422 and "a card&#39;s number" in answer.text
    assert client.post("/jobs/424242/notes", data={"note": "x"}).status_code == 404
    assert work.session.query(Event).filter_by(kind="note").count() == 0


def test_a_photo_is_kept_and_shown_as_a_picture_that_can_do_nothing(client_as: ClientAs, work: Work) -> None:
    job = factories.JobFactory()
    client = client_as(Role.COUNTER)
    answer = send(client, job.number, picture(), "../../old core.jpg", "Old cylinder")
    assert answer.status_code == 303
    page = client.get(f"/jobs/{job.number}").text
    assert ">old core.jpg</a>" in page and "Old cylinder" in page and "File old core.jpg kept" in page
    kept = work.session.query(JobFile).one()
    answer = client_as(Role.BENCH).get(f"/jobs/{job.number}/files/{kept.id}")
    assert answer.data == picture() and answer.mimetype == "image/jpeg"
    assert answer.headers["Content-Disposition"] == 'inline; filename="old core.jpg"'
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert "sandbox" in answer.headers["Content-Security-Policy"].split("; ")
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
    assert "unsafe" not in answer.headers["Content-Security-Policy"]


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_photo_stands_small_on_the_job_page(client_as: ClientAs, work: Work, kind: str) -> None:
    job = factories.JobFactory()
    client = client_as(Role.BENCH)
    made = io.BytesIO()
    exif = Image.Exif()
    exif[0x0112], exif[0x010E] = 6, "Quay Street 4"  # turned by the camera; where it was taken
    Image.new("RGBA" if kind != "JPEG" else "RGB", (900, 300), (0, 0, 0, 0) if kind != "JPEG" else "#a06030").save(
        made, kind, exif=exif
    )
    send(client, job.number, made.getvalue(), "old.x", "Old cylinder")
    kept = work.session.query(JobFile).one()
    address = f"/jobs/{job.number}/files/{kept.id}/small.jpg"
    assert f'<img src="{address}" alt="Old cylinder"' in client.get(f"/jobs/{job.number}").text
    answer = client.get(address)
    assert answer.mimetype == "image/jpeg" and b"Quay Street" not in answer.data
    assert "sandbox" in answer.headers["Content-Security-Policy"]
    small = Image.open(io.BytesIO(answer.data))
    assert max(small.size) <= 320 and small.height > small.width
    assert client.get(f"/jobs/{factories.JobFactory().number}/files/{kept.id}/small.jpg").status_code == 404


def test_what_is_no_photo_has_no_small_picture(client_as: ClientAs, work: Work) -> None:
    job = factories.JobFactory()
    client = client_as(Role.COUNTER)
    send(client, job.number, b"worn cam", "note.txt")
    kept = work.session.query(JobFile).one()
    assert client.get(f"/jobs/{job.number}/files/{kept.id}/small.jpg").status_code == 404
    assert "<img" not in client.get(f"/jobs/{job.number}").text.split("<main")[1]


def test_every_other_kind_is_saved_not_shown(client_as: ClientAs, work: Work) -> None:
    job = factories.JobFactory()
    client = client_as(Role.COUNTER)
    assert send(client, job.number, b"<script>alert(1)</script>", "Öffnungen.txt").status_code == 303
    kept = work.session.query(JobFile).one()
    answer = client.get(f"/jobs/{job.number}/files/{kept.id}")
    assert answer.mimetype == "text/plain"
    assert answer.headers["Content-Disposition"].startswith("attachment;")
    assert "%C3%96ffnungen.txt" in answer.headers["Content-Disposition"]
    assert "sandbox" in answer.headers["Content-Security-Policy"]


def test_a_file_is_found_only_under_its_own_job(client_as: ClientAs, work: Work) -> None:
    mine, other = factories.JobFactory(), factories.JobFactory()
    client = client_as(Role.COUNTER)
    send(client, mine.number, picture(), "a.jpg")
    kept = work.session.query(JobFile).one()
    assert client.get(f"/jobs/{other.number}/files/{kept.id}").status_code == 404
    assert client.get(f"/jobs/{mine.number}/files/999999").status_code == 404


@pytest.mark.parametrize(
    ("content", "name", "said"),
    [
        (b"", "a.jpg", "empty"),
        (b"MZ\x90", "a.exe", "none of the accepted kinds"),
        (picture()[:99], "a.jpg", "damaged"),
    ],
)
def test_what_is_not_kept_is_said_beside_the_field(
    client_as: ClientAs, work: Work, content: bytes, name: str, said: str
) -> None:
    job = factories.JobFactory()
    answer = send(client_as(Role.COUNTER), job.number, content, name, "typed and kept")
    assert answer.status_code == 422
    assert said in answer.text and 'value="typed and kept"' in answer.text
    assert work.session.query(JobFile).count() == 0
    nothing = client_as(Role.COUNTER).post(f"/jobs/{job.number}/files", data={"about": "x"})
    assert nothing.status_code == 422 and "Choose a file first." in nothing.text


def test_a_photo_of_eighty_megabytes_is_refused_unread_with_the_limit(
    client_as: ClientAs, work: Work, config: Config
) -> None:
    job = factories.JobFactory()
    kind = "multipart/form-data; boundary=x"
    answer = client_as(Role.COUNTER).post(
        f"/jobs/{job.number}/files", data=bytes(80 << 20), content_type=kind, csrf=False
    )
    assert answer.status_code == 413
    assert "80 MB; this house takes 16 MB at once" in answer.text and "Nothing was saved" in answer.text
    assert not (config.instance / "files").exists()
    assert client_as(Role.COUNTER).get(f"/jobs/{job.number}").status_code == 200
