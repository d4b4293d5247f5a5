"""Write the text of every paper of the demo into a folder: `.venv/bin/python tools/paper_texts.py FOLDER [TREE]`.

Two revisions compared: run it on each, then `diff -r` the folders. The demo is made anew from TREE (another
checkout; without it, this one) with the clock at one moment and chance seeded. An owner logs in, looks through the
pages, and takes each paper that a page offers: PDF, CSV, XLSX and e-mail, bitting lists too. A file is named as the
house names the paper, and holds its text alone.
"""

import email
import email.policy
import html
import io
import re
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urljoin, urlsplit

import openpyxl

TREE = Path(sys.argv[2] if len(sys.argv) > 2 else __file__).resolve()
TREE = TREE if TREE.is_dir() else TREE.parent.parent
sys.path.insert(0, str(TREE))

from flask.testing import FlaskClient  # noqa: E402
from werkzeug.exceptions import HTTPException  # noqa: E402

from app import create_app  # noqa: E402 - TREE is found first
from app.commands.demo import build, print_papers  # noqa: E402
from app.commands.demo_house import DEMO_LOGINS  # noqa: E402
from app.config import Config  # noqa: E402
from tests.forms_found import forms_of  # noqa: E402

MOMENT = datetime(2026, 11, 25, 15, 30, tzinfo=UTC)
PAPERS = (".pdf", ".csv", ".xlsx", ".eml", "/mail")
"""How the address of a paper ends; the last is where a form goes that makes an e-mail to send oneself."""
MOST_PAGES = 25
"""How many pages of one kind are looked at, such as doors, which have no papers of their own."""
LINK = re.compile(r'<a[^>]* href="([^"]*)"')


def text_of(name: str, content: bytes) -> str:
    """The words of one paper, a line each as they stand in it."""
    if name.endswith(".pdf"):
        shown = subprocess.run(["pdftotext", "-layout", "-", "-"], input=content, capture_output=True, check=True)
        return shown.stdout.decode()
    if name.endswith(".xlsx"):
        sheets = openpyxl.load_workbook(io.BytesIO(content))
        rows = (row for sheet in sheets for row in sheet.iter_rows(values_only=True))
        return "".join("\t".join("" if cell is None else str(cell) for cell in row) + "\n" for row in rows)
    if name.endswith(".eml"):
        message = email.message_from_bytes(content, policy=email.policy.default)
        body = message.get_body(("plain",))
        files = "".join(f"File: {part.get_filename()}\n" for part in message.iter_attachments())
        return f"Subject: {message['subject']}\n{files}\n{body.get_content() if body else ''}"
    return content.decode("utf-8-sig")


class Visit:
    """One owner's way through all pages; `papers` has what was taken: name → text."""

    def __init__(self, client: FlaskClient) -> None:
        self.client = client
        self.papers: dict[str, str] = {}
        self._seen: set[tuple[str, str]] = set()
        self._pages: Counter[str] = Counter()
        self._waiting = ["/"]

    def log_in(self, name: str, password: str) -> None:
        form = next(form for form in forms_of(self.client.get("/login").text) if form.method == "post")
        self.client.post("/login", data={**dict(form.fields), "name": name, "password": password})

    def walk(self) -> None:
        for address in self._waiting:  # it grows meanwhile
            answer = self.client.get(address, follow_redirects=True)
            if answer.mimetype == "text/html" and answer.status_code == 200:
                self._look_at(answer.request.path, answer.text)
            answer.close()

    def _look_at(self, address: str, page: str) -> None:
        for link in LINK.findall(page):
            self._found("GET", urljoin(address, html.unescape(link)), {})
        for form in forms_of(page):
            for target in {form.action or address, *(button[2] for button in form.buttons if button[2])}:
                if form.method == "post" and urlsplit(target).path.endswith(PAPERS):
                    self._found("POST", urljoin(address, target), {"to": "reader@example.org", **dict(form.fields)})

    def _found(self, method: str, link: str, fields: dict[str, str]) -> None:
        path = urlsplit(link).path
        if urlsplit(link).netloc or urlsplit(link).scheme or (method, path) in self._seen:
            return
        try:
            rule, _ = self.client.application.url_map.bind("localhost").match(path, method, return_rule=True)
        except HTTPException:
            return
        self._seen.add((method, path))
        if method == "POST" or path.endswith(PAPERS[:-1]):
            self._take(method, link, fields)
        elif self._pages[rule.rule] < MOST_PAGES and not path.endswith("zip"):
            self._pages[rule.rule] += 1
            self._waiting.append(link)

    def _take(self, method: str, link: str, fields: dict[str, str]) -> None:
        answer = self.client.open(link, method=method, data=fields)
        said = re.search(r'filename="?([^";]*)', answer.headers.get("Content-Disposition", ""))
        name = said[1] if said else link.strip("/").replace("/", "-")
        if answer.status_code == 200:
            self.papers[name] = text_of(name, answer.data)
        else:
            self.papers[name] = f"{method} {link} was answered with {answer.status_code}\n"
        answer.close()


def papers(folder: Path) -> Iterator[tuple[str, str]]:
    """('name', text) of each paper: those that `make demo` prints, then what the pages of that house offer."""
    shop, jobs = build(folder, TREE / "demo_data", MOMENT)
    for path in print_papers(shop, jobs, folder / "papers"):
        yield f"made-{path.name}", text_of(path.name, path.read_bytes())
    shop.ledger.close()
    app = create_app(Config(instance=folder, is_demo=True))
    app.extensions["clock"] = lambda: MOMENT
    visit = Visit(app.test_client())
    name, _, password = next(login for login in DEMO_LOGINS if login[1].value == "owner")
    visit.log_in(name, password)
    visit.walk()
    yield from visit.papers.items()


def main() -> None:
    to = Path(sys.argv[1])
    to.mkdir(parents=True)
    with tempfile.TemporaryDirectory() as place:
        for name, text in papers(Path(place) / "demo"):
            (to / f"{name}.txt").write_text(text)
    print(f"{len(list(to.iterdir()))} papers")


if __name__ == "__main__":
    main()
