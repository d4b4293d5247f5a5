"""A job's papers and its folder: who gets which, that the counter's hold no bitting, that a reveal is on record."""

import io
import re
import zipfile
from collections.abc import Callable
from datetime import timedelta
from html import unescape

import openpyxl
import pytest
import sqlalchemy as sa
from flask import Flask
from PIL import Image

from app.config import Config
from app.ledger.keys.keys import KeyIssueForm, cut_copies, issue_keys
from app.ledger.keysystems.bittings import seal_bitting
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Bitting, Event, GoodsReturn, Key, Keyset, Maker, RecordsHolder, Role, Stage
from tests import factories
from tests.conftest import NOW
from tests.factories import FormClient
from tests.keyed import BITTINGS, Keyed, bitting_in, keyed_job
from tests.reading import pdf_text

ClientAs = Callable[[Role | None], FormClient]
OPEN = ("keying-schedule", "keyset-schedule", "key-holders", "key-receipt", "hardware-list", "labels")
SECRET = ("bench-sheet", "keys-to-cut", "pins-to-pick")


@pytest.fixture
def keyed(work: Work) -> Keyed:
    made = keyed_job(work)
    factories.JobLineFactory(job=made.job, number=1, kind="cylinder", description="Cylinder", part_number="AD-Q1-66")
    cut_copies(work, made.system.id, "AA", (1,))
    return made


def folder(client: FormClient, number: int) -> zipfile.ZipFile:
    answer = client.post(f"/jobs/{number}/folder.zip")
    assert answer.status_code == 200 and answer.mimetype == "application/zip"
    assert answer.headers["Content-Disposition"] == f"attachment; filename=job-{number}.zip"
    return zipfile.ZipFile(io.BytesIO(answer.data))


@pytest.mark.parametrize("name", OPEN)
def test_everybody_opens_the_papers_without_a_bitting(client_as: ClientAs, keyed: Keyed, name: str) -> None:
    for role in (Role.COUNTER, Role.BENCH):
        answer = client_as(role).get(f"/jobs/{keyed.job.number}/{name}.pdf")
        assert answer.status_code == 200 and answer.mimetype == "application/pdf"
        text = pdf_text(answer.data)
        assert "page 1 of 1" in text and bitting_in(text) is None and str(keyed.job.number) in text


def test_a_receipt_lists_only_keys_that_its_holder_takes_now_or_holds(
    client_as: ClientAs, work: Work, keyed: Keyed
) -> None:
    clerk, system = client_as(Role.COUNTER), f"/keys/system/{keyed.system.id}"
    address = f"/jobs/{keyed.job.number}/key-receipt.pdf"

    def printed() -> str:
        return pdf_text(clerk.get(address).data)

    def listed() -> list[str]:
        text = printed().partition("Due back")[2].partition("I have received")[0]
        return re.findall(r"(\w+) 1 \1 1 ", text)  # the key, its copy and what is stamped on it

    def pressed(what: str, symbol: str, **said: str) -> None:
        form = {f"{what}-{name}": value for name, value in {"symbol": symbol, "copies": "1", **said}.items()}
        assert clerk.post(f"{system}/{what}", data=form).status_code == 303

    def put(symbol: str, deed: str) -> None:
        work.session.rollback()
        key = work.session.scalars(sa.select(Key).join(Keyset).where(Keyset.symbol == symbol)).one()
        assert clerk.post(f"/keys/{key.id}/{deed}", data={"version": key.version}).status_code == 303

    # The fixture's AA is cut; 1AA and 2AA are not.
    assert listed() == ["AA"] and "received the key listed" in printed()
    assert "Made out" in printed() and "Handed over 2" not in printed() and "P. Harbour" in printed()
    pressed("cut", "1AA")
    pressed("cut", "2AA")
    assert listed() == ["AA", "1AA", "2AA"]
    pressed("issue", "1AA", holder="Ann Reed")  # another holder's
    pressed("issue", "2AA", holder="p.  harbour")  # the same person, written another way
    assert listed() == ["AA", "2AA"] and "Ann Reed" not in printed()
    put("AA", "lost")
    assert listed() == ["2AA"]
    pressed("back", "2AA")
    # Ann Reed alone holds one now, so hers is the receipt.
    assert listed() == ["1AA"] and "Ann Reed" in printed() and "P. Harbour" not in printed()
    assert "555-0147" not in printed()  # the customer's, not hers
    put("1AA", "lost")
    assert clerk.get(address).status_code == 404
    assert "Key receipt, to sign" not in clerk.get(f"/jobs/{keyed.job.number}").text


@pytest.mark.parametrize("name", SECRET)
def test_papers_with_pins_are_for_bench_and_owner_by_a_press(
    client_as: ClientAs, work: Work, keyed: Keyed, name: str
) -> None:
    address = f"/jobs/{keyed.job.number}/{name}.pdf"
    assert client_as(Role.COUNTER).post(address).status_code == 403
    assert client_as(Role.COUNTER).get(address).status_code == 404
    assert client_as(Role.BENCH).get(address).status_code == 405
    answer = client_as(Role.BENCH).post(address)
    assert answer.status_code == 200 and "CONFIDENTIAL" in pdf_text(answer.data)
    reveals = work.session.scalars(sa.select(Event).where(Event.kind == "bittings revealed")).all()
    assert [event.job_id for event in reveals] == [keyed.job.id]


def test_tables_come_as_spreadsheets_too(client_as: ClientAs, keyed: Keyed) -> None:
    client = client_as(Role.COUNTER)
    for name in ("keying-schedule", "key-holders", "hardware-list"):
        assert client.get(f"/jobs/{keyed.job.number}/{name}.csv").mimetype == "text/csv"
        assert client.get(f"/jobs/{keyed.job.number}/{name}.xlsx").data.startswith(b"PK")


@pytest.mark.parametrize("name", ["nothing.pdf", "labels.csv", "folder.zip", "x" * 3000, "..%2Fbittern.key"])
def test_a_paper_that_is_not_there(client_as: ClientAs, keyed: Keyed, name: str) -> None:
    assert client_as(Role.COUNTER).get(f"/jobs/{keyed.job.number}/{name}").status_code in (404, 405)


def test_labels_begin_where_the_sheet_is_used_up(client_as: ClientAs, keyed: Keyed) -> None:
    client = client_as(Role.BENCH)
    assert client.get(f"/jobs/{keyed.job.number}/labels.pdf?taken=29").status_code == 200
    for taken in ("30", "-1", "9" * 40, "x"):
        answer = client.get(f"/jobs/{keyed.job.number}/labels.pdf?taken={taken}")
        assert answer.status_code == 400 and "used" in answer.text


def test_the_counters_folder_has_every_open_paper_and_file_and_no_bitting(
    client_as: ClientAs, work: Work, keyed: Keyed, config: Config
) -> None:
    client, number = client_as(Role.COUNTER), keyed.job.number
    picture = io.BytesIO()
    Image.new("RGB", (4, 4)).save(picture, "PNG")
    sent = {"file": (io.BytesIO(picture.getvalue()), "old é.png"), "about": "Old cylinder"}
    assert client.post(f"/jobs/{number}/files", data=sent).status_code == 303
    cut_copies(work, keyed.system.id, "1AA", (1,))
    receipt = issue_keys(work, KeyIssueForm(keyed.system.id, "1AA", (1,), "Ann Reed"))
    work.session.add(GoodsReturn(number=3, job_id=keyed.job.id, at=work.now, reason="too many"))
    work.session.commit()
    archive = folder(client, number)
    assert archive.testzip() is None
    names = set(archive.namelist())
    assert {f"papers/{name}-{number}.pdf" for name in OPEN} | {"index.html", "files/1-old é.png"} <= names
    assert {f"papers/key-receipt-{receipt}.pdf", f"papers/return-{number}-3.pdf"} <= names
    assert not [name for name in names if any(word in name for word in (*SECRET, "bitting", "owner"))]
    assert archive.read("files/1-old é.png") == picture.getvalue()
    for name in names:
        content = archive.read(name)
        text = pdf_text(content) if name.endswith(".pdf") else content.decode("utf-8", "replace")
        assert bitting_in(text) is None or name.endswith((".xlsx", ".png")), name
    index = archive.read("index.html").decode()
    for name in names - {"index.html"}:
        assert name in unescape(index)
    assert "CONFIDENTIAL" not in index and "Old cylinder" in index and "<script" not in index
    assert work.session.scalars(sa.select(Event).where(Event.kind == "bittings revealed")).all() == []


def test_the_owners_folder_has_the_bittings_and_says_so_on_record(
    client_as: ClientAs, work: Work, keyed: Keyed
) -> None:
    number = keyed.job.number
    archive = folder(client_as(Role.OWNER), number)
    names = set(archive.namelist())
    assert {f"papers/{name}-{number}.pdf" for name in (*OPEN, *SECRET)} <= names
    listed = f"papers/bitting-list-{keyed.system.id}.pdf"
    text = re.sub(r"\s", "", pdf_text(archive.read(listed)))
    assert all(bitting in text for bitting in BITTINGS.values())
    assert "CONFIDENTIAL" in archive.read("index.html").decode()
    reveals = work.session.scalars(sa.select(Event.summary).where(Event.kind == "bittings revealed")).all()
    assert len(reveals) == 3 and all("Owner" in summary for summary in reveals)  # bench sheet, pins, bitting list
    assert not [name for name in folder(client_as(Role.BENCH), number).namelist() if "bitting-list" in name]


def test_a_paper_that_is_refused_stands_in_the_index_with_the_reason(
    client_as: ClientAs, work: Work, keyed: Keyed, config: Config
) -> None:
    client, number = client_as(Role.BENCH), keyed.job.number
    picture = io.BytesIO()
    Image.new("RGB", (4, 4)).save(picture, "PNG")
    client.post(f"/jobs/{number}/files", data={"file": (io.BytesIO(picture.getvalue()), "a.png")})
    for path in (config.instance / "files").iterdir():
        path.unlink()
    archive = folder(client, number)
    assert "not in the files folder" in archive.read("index.html").decode()
    assert not [name for name in archive.namelist() if name.startswith("files/")]


def test_a_folder_of_a_job_that_is_only_asked_has_its_index(client_as: ClientAs) -> None:
    factories.HouseFactory()
    job = factories.JobFactory()
    assert folder(client_as(Role.COUNTER), job.number).namelist() == ["index.html"]


def at_the_factory(work: Work, keyed: Keyed) -> None:
    maker: Maker = factories.MakerFactory(name="Ardent Brass")
    keyed.system.records = RecordsHolder.FACTORY
    keyed.job.keyed_at, keyed.job.stage = "factory", Stage.APPROVED
    for cylinder in keyed.cylinders:
        cylinder.maker_id = maker.id
    work.session.commit()


def test_a_system_without_bittings_here_has_no_bitting_list(client_as: ClientAs, work: Work, keyed: Keyed) -> None:
    at_the_factory(work, keyed)
    client, page = client_as(Role.OWNER), f"/jobs/{keyed.job.number}"
    assert "Bitting list" in client.get(page).text  # as it was keyed here before
    work.session.execute(sa.delete(Bitting))
    work.session.commit()
    assert "Bitting list" not in client.get(page).text


def test_a_factory_order_keeps_the_day_and_author_of_its_ordering(web: Flask, work: Work, keyed: Keyed) -> None:
    at_the_factory(work, keyed)
    number = keyed.job.number

    def logged_in(name: str, days: int) -> FormClient:
        web.extensions["clock"] = lambda: NOW + timedelta(days=days)
        client = FormClient(web)
        client.log_in(factories.UserFactory(name=name, role=Role.COUNTER))
        return client

    def printed(client: FormClient) -> tuple[str, str]:
        book = openpyxl.load_workbook(io.BytesIO(client.get(f"/jobs/{number}/factory-order-1.xlsx").data))
        told = dict(book["Instructions"].values)
        pdf = pdf_text(client.get(f"/jobs/{number}/factory-order-1.pdf").data)
        return pdf, next((f"{what}: {told[what]}" for what in told if "rdered" in what), "")

    cora = logged_in("Cora Quill", 0)
    text, sheet = printed(cora)
    assert "DRAFT, NOT ORDERED" in text and "Draft made 25 November 2026 by Cora Quill" in text
    assert sheet == "Draft, not ordered: 2026-11-25 by Cora Quill"
    dell = logged_in("Dell Marsh", 5)
    version = re.findall(r'name="version"[^>]*value="(\d+)"', dell.get(f"/jobs/{number}").text)[0]
    moved = dell.post(f"/jobs/{number}/move", data={"version": version, "to": "parts on order"})
    assert moved.status_code == 303
    at_once = printed(dell)
    for text, sheet in (at_once, printed(logged_in("Elm Reeve", 19))):
        assert "Ordered 30 November 2026 by Dell Marsh" in text and "draft" not in text.lower()
        assert "Elm Reeve" not in text and "Cora Quill" not in text and "December" not in text
        assert sheet == "Ordered: 2026-11-30 by Dell Marsh"


def test_a_factorys_part_of_a_job_is_ordered_on_its_form(client_as: ClientAs, work: Work, keyed: Keyed) -> None:
    at_the_factory(work, keyed)
    client, number = client_as(Role.COUNTER), keyed.job.number
    page = client.get(f"/jobs/{number}").text
    assert "Factory order, Ardent Brass" in page and "Bench sheet" not in page
    text = pdf_text(client.get(f"/jobs/{number}/factory-order-1.pdf").data)
    assert f"F-{number}-1" in text and "F1" in text and "1AA, AA" in text and bitting_in(text) is None
    assert "keys only" in text  # the master's key has no cylinder
    assert client.get(f"/jobs/{number}/factory-order-1.xlsx").data.startswith(b"PK")
    assert client.get(f"/jobs/{number}/factory-order-2.pdf").status_code == 404


def test_the_shops_keys_that_come_with_a_factorys_job_are_cut_from_a_list(
    client_as: ClientAs, work: Work, keyed: Keyed
) -> None:
    """The bench page and 'Keys to cut' are offered while there are such keys, and list no key of the factory's."""
    ours = factories.KeysetFactory(symbol="OUR1", system__customer=keyed.job.customer)
    seal_bitting(work, ours.system, ours, (1, 4, 0, 2, 3, 5))
    at_the_factory(work, keyed)
    bench, number = client_as(Role.BENCH), keyed.job.number
    links = (f'href="/bench/jobs/{number}"', f"/jobs/{number}/keys-to-cut.pdf")
    page = bench.get(f"/jobs/{number}").text
    assert [link for link in links if link in page] == []
    factories.KeyFactory(keyset=ours, job_id=keyed.job.id, copy_number=1)
    work.session.commit()
    page = bench.get(f"/jobs/{number}").text
    assert [link for link in links if link in page] == [*links] and "bench-sheet" not in page
    answer = bench.post(f"/jobs/{number}/keys-to-cut.pdf")
    assert answer.status_code == 200
    text = pdf_text(answer.data)
    assert "OUR1" in text and "1AA" not in text
    assert "OUR1</b> 1 key " in bench.get(f"/bench/jobs/{number}").text


def test_further_keys_sold_alone_are_signed_for(client_as: ClientAs, work: Work, keyed: Keyed) -> None:
    """The receipt is there once they are cut, and says which doors they open that another job keyed."""
    job = factories.JobFactory(customer=keyed.job.customer, stage=Stage.ON_THE_BENCH)
    keyset = keyed.cylinders[0].keyset
    assert keyset is not None
    factories.KeyFactory(keyset=keyset, job_id=job.id, copy_number=7)
    work.session.commit()
    number, bench = job.number, client_as(Role.BENCH)
    address = f"/jobs/{number}/key-receipt.pdf"
    assert address not in bench.get(f"/jobs/{number}").text
    assert bench.post(f"/bench/jobs/{number}/ticks", data={"as": "cut", "keys": keyset.id}).status_code == 303
    page = bench.get(f"/jobs/{number}").text
    assert f'href="{address}"' in page and "key-holders" not in page
    text = pdf_text(bench.get(address).data)
    assert "1AA 7 1AA 7 F1 when" in text and "the key listed" in text and bitting_in(text) is None
    assert f"papers/key-receipt-{number}.pdf" in folder(bench, number).namelist()


def test_the_job_page_leads_to_every_paper(client_as: ClientAs, work: Work, keyed: Keyed) -> None:
    record(work, "note", f"job {keyed.job.number}", "hello", job_id=keyed.job.id)
    work.session.commit()
    page = client_as(Role.COUNTER).get(f"/jobs/{keyed.job.number}").text
    for name in OPEN:
        assert f'href="/jobs/{keyed.job.number}/{name}.pdf"' in page
    assert f'action="/jobs/{keyed.job.number}/folder.zip"' in page
    assert "bench-sheet" not in page and "pins-to-pick" not in page
    page = client_as(Role.BENCH).get(f"/jobs/{keyed.job.number}").text
    for name in SECRET:
        assert f'action="/jobs/{keyed.job.number}/{name}.pdf"' in page
    assert "bitting-list" not in page
    assert "bitting-list" in client_as(Role.OWNER).get(f"/jobs/{keyed.job.number}").text


def test_a_large_folder_is_sent_from_the_disk_and_let_go(
    client_as: ClientAs, keyed: Keyed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("app.web.papers.views._IN_MEMORY", 10)
    answer = client_as(Role.COUNTER).post(f"/jobs/{keyed.job.number}/folder.zip")
    assert zipfile.ZipFile(io.BytesIO(answer.data)).testzip() is None
    answer.close()  # else the run fails: a file that is left open is a warning, and a warning is an error


def test_the_owner_gives_the_password_again_before_a_folder_with_bittings(
    web: Flask, client_as: ClientAs, keyed: Keyed
) -> None:
    owner, counter, number = client_as(Role.OWNER), client_as(Role.COUNTER), keyed.job.number
    web.extensions["clock"] = lambda: NOW + timedelta(minutes=12)
    asked = owner.post(f"/jobs/{number}/folder.zip")
    assert asked.status_code == 423 and "Password" in asked.text
    asked = owner.post(f"/jobs/{number}/bench-sheet.pdf")
    assert asked.status_code == 423 and bitting_in(asked.text) is None
    assert counter.post(f"/jobs/{number}/folder.zip").status_code == 200
