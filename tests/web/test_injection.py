"""A house whose every word came from somebody who means harm: each page, paper and table has it as plain text."""

import csv
import email
import email.policy
import html
import io
import re
import unicodedata
import zipfile
from collections.abc import Iterator
from pathlib import PurePosixPath
from typing import Any
from urllib.parse import urljoin, urlsplit

import openpyxl
import pypdf
import pytest
import sqlalchemy as sa
from flask import Flask

from app import create_app
from app.documents import render
from app.documents.render import StaticFetcher
from app.ledger.care.opening import Ledger, open_ledger
from app.ledger.tables import Role, User
from app.spreadsheets.writing import FORMULA_STARTS
from tests import hostile_house, tour
from tests.conftest import NOW
from tests.factories import FormClient
from tests.forms_found import forms_of
from tests.quick_apps import PRINT_ANEW

PAPERS = (".pdf", ".csv", ".xlsx", ".zip", ".eml", ".json")
TAILS = {mark[mark.index("Jq") : mark.index("Jq") + 3]: mark for mark in hostile_house.LONG + hostile_house.SHORT}
NUMBER = re.compile(r"-?\d+(\.\d+)?")


class Answers:
    """Everything the house hands out: 'address' → (media type, headers, content)."""

    def __init__(self, client: FormClient, pages: dict[str, str]) -> None:
        self.client = client
        self.found: dict[str, tuple[str, dict[str, str], bytes]] = {}
        waiting = [*pages.values(), "/search?q=hall", "/counter/customers?q=h"]
        for address in waiting:
            self.get(address)
            mimetype, _, content = self.found.get(address, ("", {}, b""))
            if mimetype == "text/html":
                text = content.decode()
                waiting += [link for link in self.papers_of(address, text) if link not in waiting]
                self.post_papers(address, text)

    def get(self, address: str) -> None:
        self.keep(address, self.client.get(address))

    def keep(self, address: str, answer: Any) -> None:
        assert answer.status_code < 500, address
        if answer.status_code in (200, 400):
            self.found[address] = (answer.mimetype, dict(answer.headers), answer.get_data())
        answer.close()

    def papers_of(self, address: str, text: str) -> list[str]:
        links = {urljoin(address, html.unescape(link)) for link in re.findall(r'<a[^>]* href="([^"]*)"', text)}
        return sorted(link for link in links if urlsplit(link).path.endswith(PAPERS))

    def post_papers(self, address: str, text: str) -> None:
        for form in forms_of(text):
            for target in {form.action or address, *(button[2] for button in form.buttons if button[2])}:
                sent = f"post {target}"
                if sent in self.found or not target.endswith((*PAPERS, "/mail")) or form.method == "get":
                    continue
                fields = {name: value for name, value in form.fields if name != "csrf_token"}
                if "to" in fields:
                    fields["to"] = "reader@example.org"
                self.keep(sent, self.client.post(target, data=fields))

    def of(self, *kinds: str) -> dict[str, bytes]:
        return {address: content for address, (kind, _, content) in self.found.items() if kind in kinds}


@pytest.fixture(scope="module")
def loaded() -> Iterator[list[str]]:
    """What the printing of papers asked to load."""
    asked: list[str] = []
    fetch = StaticFetcher.fetch

    def listening(self: StaticFetcher, url: str, headers: dict[str, str] | None = None) -> Any:
        asked.append(url)
        return fetch(self, url, headers)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(StaticFetcher, "fetch", listening)
        patch.setattr(render, "_printed", PRINT_ANEW)
        yield asked


@pytest.fixture(scope="module")
def answers(tmp_path_factory: pytest.TempPathFactory, loaded: list[str]) -> Answers:
    config = hostile_house.hostile_demo(tmp_path_factory.mktemp("hostile") / "instance")
    ledger: Ledger = open_ledger(config)
    app: Flask = create_app(config, ledger)
    app.extensions["clock"] = lambda: NOW
    client = FormClient(app)
    with ledger.sessions() as session:
        client.log_in(session.scalars(sa.select(User).where(User.role == Role.OWNER)).one())
        pages = tour.pages(app, session)
    found = Answers(client, pages)
    ledger.close()
    return found


def squeezed(text: str) -> str:
    """Without the spaces and joins that lines are broken by, as a PDF's text has them anywhere."""
    return "".join(character for character in unicodedata.normalize("NFKC", text) if not character.isspace())


def test_every_column_of_text_is_filled_or_known_to_hold_words_of_our_own() -> None:
    assert hostile_house.unnamed_columns() == set()


def test_no_page_has_a_mark_with_markup_behind_it(answers: Answers) -> None:
    pages = answers.of("text/html")
    assert len(pages) > 90
    marked = 0
    for address, content in pages.items():
        text = content.decode()
        marked += bool(hostile_house.MARKED.search(text))
        for mark in hostile_house.MARKED.finditer(text):
            behind = text[mark.end() : mark.end() + 1]
            assert behind not in ("<", '"', "'"), (address, text[mark.start() - 80 : mark.end() + 40])
        assert not re.search(r"Jq[ct]49", text), address
        # Only the page's own addresses are loaded or followed.
        for url in re.findall(r'(?:src|href|action|formaction)="([^"]*)"', text):
            assert url.startswith(("/", "#", "?", "tel:", "mailto:", "otpauth://")) or url == "", (address, url)
    assert marked > 60


def test_every_header_is_one_line_and_names_a_plain_file(answers: Answers) -> None:
    for address, (_, headers, _content) in answers.found.items():
        for value in headers.values():
            assert "\n" not in value and "\r" not in value, address
        name = re.search('filename="?([^";]*)', headers.get("Content-Disposition", ""))
        assert name is None or "/" not in name[1], address
        assert "z@y.example" not in headers.values(), address


def test_every_pdf_prints_it_as_text_and_loads_nothing(answers: Answers, loaded: list[str]) -> None:
    # A maker's own paper is handed out as it came in; the pages that show its text are looked at as pages.
    papers = {at: made for at, made in answers.of("application/pdf").items() if not at.startswith("/makers/papers/")}
    marked = set()
    for address, content in papers.items():
        reader = pypdf.PdfReader(io.BytesIO(content))
        leaves = list(reader.pages)[:3]
        text = squeezed("".join(leaf.extract_text() for leaf in leaves))
        for mark in hostile_house.MARKED.finditer(text):
            whole = TAILS[mark[0]]
            tail = squeezed(whole[whole.index(mark[0]) :])[:5]
            assert text[mark.start() :].startswith(tail), (address, text[mark.start() : mark.end() + 20])
            marked.add(address)
        root = reader.trailer["/Root"]
        assert "/OpenAction" not in root and "/AA" not in root and not reader.attachments, address
        for leaf in leaves:
            for note in leaf.get("/Annots", ()):
                assert "/URI" not in note.get_object().get("/A", {}), address
    assert len(papers) >= 14, sorted(papers)
    assert marked == set(papers)
    assert all(urlsplit(url).scheme == "file" and "/static/" in url for url in loaded), loaded


def tables_of(answers: Answers) -> Iterator[tuple[str, str, bytes]]:
    """(where, file name, content) of every table and of everything packed into a zip file."""
    for address, (kind, _, content) in answers.found.items():
        if kind == "application/zip":
            with zipfile.ZipFile(io.BytesIO(content)) as packed:
                for member in packed.infolist():
                    yield f"{address}!{member.filename}", member.filename, packed.read(member)
        elif kind == "text/csv":
            yield address, "x.csv", content
        elif "spreadsheetml" in kind:
            yield address, "x.xlsx", content
        elif kind == "message/rfc822":
            for part in email.message_from_bytes(content, policy=email.policy.default).iter_attachments():
                if part.get_content_type() == "text/csv":
                    yield f"{address}!{part.get_filename()}", "x.csv", part.get_payload(decode=True)


def test_no_cell_of_a_table_is_a_formula(answers: Answers) -> None:
    marked = {"csv": 0, "xlsx": 0}
    for where, name, content in tables_of(answers):
        if name.endswith(".csv"):
            for row in csv.reader(io.StringIO(content.decode("utf-8-sig"), newline="")):
                for cell in row:
                    assert not cell.startswith(FORMULA_STARTS) or NUMBER.fullmatch(cell), (where, cell)
                    marked["csv"] += bool(hostile_house.MARKED.search(cell))
        elif name.endswith(".xlsx"):
            with zipfile.ZipFile(io.BytesIO(content)) as book:
                inside = {member: book.read(member) for member in book.namelist()}
            assert not any(b"<f>" in part or b"<f " in part for part in inside.values()), where
            assert not any(b"TargetMode" in part or "external" in member for member, part in inside.items()), where
            for sheet in openpyxl.load_workbook(io.BytesIO(content)):
                for row in sheet.iter_rows():
                    for cell in row:
                        if isinstance(cell.value, str):
                            assert cell.data_type == "s" and cell.hyperlink is None, (where, cell.value)
                            marked["xlsx"] += bool(hostile_house.MARKED.search(cell.value))
    assert marked["csv"] > 100 and marked["xlsx"] > 100, marked


def test_every_member_of_a_zip_file_unpacks_into_its_folder(answers: Answers) -> None:
    packed = answers.of("application/zip")
    assert len(packed) >= 2, sorted(answers.found)
    for address, content in packed.items():
        with zipfile.ZipFile(io.BytesIO(content)) as whole:
            names = whole.namelist()
        assert len(names) == len({name.casefold() for name in names}), address
        for name in names:
            path = PurePosixPath(name)
            assert not path.is_absolute() and ".." not in path.parts, (address, name)
            assert not set(name) & set('\\:*?"<>|\r\n\t') and name.isprintable(), (address, name)


def test_every_mail_keeps_its_headers_whole(answers: Answers) -> None:
    mails = answers.of("message/rfc822")
    assert mails, sorted(answers.found)
    for address, content in mails.items():
        message = email.message_from_bytes(content, policy=email.policy.default)
        assert set(message.keys()) <= {
            "From",
            "To",
            "Subject",
            "Date",
            "Message-ID",
            "MIME-Version",
            "Content-Type",
            "X-Unsent",
            "Content-Language",
        }, (address, message.keys())
        assert not message.defects
        attached = list(message.iter_attachments())
        kinds = [part.get_content_type() for part in attached]
        # An order to a maker carries its lines as a table too, for the maker's own program.
        assert kinds == (["application/pdf", "text/csv"] if "/stock/orders/" in address else ["application/pdf"])
        assert not any("/" in (part.get_filename() or "") for part in attached)
        body = message.get_body()
        assert body is not None and body.get_content_type() == "text/plain"
        assert hostile_house.MARKED.search(body.get_content())
