"""Every form of every page, filled in by somebody who means harm: no fault, no hang, no script that runs."""

import io
import itertools
import random
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa
import weasyprint
from flask import Flask
from werkzeug.datastructures import MultiDict
from werkzeug.test import TestResponse

from app.ledger.care.opening import Ledger
from app.ledger.store.events import first_broken_link
from app.ledger.tables import Event, Role, User
from tests import tour
from tests.factories import FormClient
from tests.forms_found import FoundForm, forms_of

Fields = list[tuple[str, str]]
SCRIPT = "<script>alert(1)</script>"
HOSTILE = (
    SCRIPT,
    "\"'><img src=x onerror=alert(1)>",
    "'; DROP TABLE jobs; --",
    "a\0b",
    "",
    " ",
    "-1",
    "0",
    "9" * 400,
    "1e309",
    "NaN",
    "1/0",
    "1-1/0",
    "٣",
    "½",
    "2026-02-30",
    "0001-01-01",
    "9999-12-31",
    "../../../../etc/passwd",
    "=1+1",
    "@SUM(A1)",
    "{{7*7}}${7*7}%(x)s",
    "\r\nBcc: x@y.example",
    "\u202eevil\u200b",
    "é" * 10_000,
    "🔑" * 300,
    "\ufffe\ud7ff\uffff",
    "None",
    "[]",
    "true",
)
# What ends the walker's own login, or locks its screen; tests of their own hold them.
LEFT_OUT = ("/logout", "/lock", "/login", "/unlock")
FIXED = frozenset({"csrf_token"})
VARIANTS = 5  # of each form with all boxes filled in, besides one box at a time
HANG_SECONDS = 60  # far above any page's time, on a machine with other work to do


@pytest.fixture
def toured(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Flask, Ledger]]:
    """The demo's house. Nobody reads its papers here: their templates are filled in, and nothing is laid out."""
    monkeypatch.setattr(weasyprint.HTML, "write_pdf", lambda *_, **__: b"%PDF-1.7")
    with tour.demo_app(tmp_path / "instance") as house:
        yield house


class Walker:
    """Somebody logged in as the owner, who logs in again when thrown out."""

    def __init__(self, app: Flask, ledger: Ledger) -> None:
        self.client, self.ledger = FormClient(app), ledger
        self.faults: list[str] = []
        self.count = 0
        self.enter()

    def enter(self) -> None:
        with self.ledger.sessions() as session:
            self.client.log_in(session.scalars(sa.select(User).where(User.role == Role.OWNER)).one())
        self.token = self.client.csrf_token()

    def page(self, address: str) -> str:
        answer = self.client.get(address)
        if answer.status_code in (302, 303) and "/login" in answer.headers["Location"]:
            self.enter()
            answer = self.client.get(address)
        is_page = answer.status_code == 200 and answer.mimetype == "text/html"
        return answer.get_data(as_text=True) if is_page else ""

    def send(
        self, address: str, form: FoundForm, fields: list[tuple[str, str]], button: tuple[str, str, str]
    ) -> None:
        target = button[2] or form.action or address
        if target.partition("?")[0].endswith(LEFT_OUT):
            return
        pairs: list[tuple[str, object]] = [(name, value) for name, value in fields if name not in FIXED]
        if button[0]:
            pairs.append((button[0], button[1]))
        began = time.monotonic()
        if form.method == "post":
            pairs += [(name, (io.BytesIO(b"=1+1;\0<x>"), "../../list.csv")) for name in form.files]
            pairs.append(("csrf_token", self.token))
            answer: TestResponse = self.client.post(target, data=MultiDict(pairs), csrf=False)
        else:
            answer = self.client.get(target, query_string=MultiDict(pairs))
        answer.close()
        self.count += 1
        if answer.status_code >= 500 or time.monotonic() - began > HANG_SECONDS:
            changed = {name: value[:30] for name, value in fields if (name, value) not in form.fields}
            self.faults.append(f"{form.method} {target} {button[:2]} {changed}: {answer.status_code}")
        if answer.status_code in (302, 303) and "/login" in answer.headers.get("Location", ""):
            self.enter()


def variants(form: FoundForm, chance: random.Random) -> Iterator[Fields]:
    """The form as it stands; with all its boxes hostile; with one hostile box at a time. None of them twice."""
    tried: list[Fields] = []
    hostile = [[(name, text) for name, _ in form.fields] for text in chance.sample(HOSTILE, VARIANTS)]
    for fields in (form.fields, *hostile, *_one_box_at_a_time(form, chance)):
        sent = [(name, text) for name, text in fields if name not in FIXED]
        if sent not in tried:  # a form of buttons alone is sent once
            tried.append(sent)
            yield fields


def _one_box_at_a_time(form: FoundForm, chance: random.Random) -> Iterator[Fields]:
    for place in chance.sample(range(len(form.fields)), min(len(form.fields), 10)):
        changed = list(form.fields)
        changed[place] = (changed[place][0], chance.choice(HOSTILE))
        yield changed


def test_no_form_ends_in_a_fault_and_no_script_gets_through(toured: tuple[Flask, Ledger]) -> None:
    app, ledger = toured
    walker, chance = Walker(app, ledger), random.Random(1)
    with ledger.sessions() as session:
        pages = tour.pages(app, session)
    seen: set[tuple[str, tuple[str, ...]]] = set()
    for address in pages.values():
        for form in forms_of(walker.page(address)):
            key = (form.action or address, tuple(name for name, _ in form.fields))
            if key in seen:
                continue
            seen.add(key)
            # A paper takes its time to print, and its form has a box or none: one try will do.
            tries = variants(form, chance)
            for fields in itertools.islice(tries, 1 if key[0].endswith((".pdf", ".zip", ".eml")) else None):
                walker.send(address, form, fields, chance.choice(form.buttons or [("", "", "")]))
    assert walker.faults == [], "\n".join(walker.faults)
    assert len(seen) > 60 and walker.count > 600
    for address in pages.values():
        assert SCRIPT not in walker.page(address), address
    with ledger.sessions() as session:
        assert first_broken_link(session) is None


def test_every_form_needs_its_token_and_takes_none_of_its_boxes(toured: tuple[Flask, Ledger]) -> None:
    """What a page's own form never sends: nothing at all. Without the token it is not even looked at."""
    app, ledger = toured
    client = FormClient(app)
    with ledger.sessions() as session:
        deeds = {
            rule: address for rule, (_, address) in tour.deeds(app, session).items() if not rule.startswith(LEFT_OUT)
        }
    _log_in_as_owner(client, ledger)
    events = _count_of_events(ledger)
    unguarded = [rule for rule, address in deeds.items() if client.post(address, csrf=False).status_code != 400]
    assert unguarded == [] and _count_of_events(ledger) == events
    broken = []
    for rule, address in deeds.items():
        _log_in_as_owner(client, ledger)  # an empty press may end the login before
        answer = client.post(address)
        if answer.status_code >= 500 or answer.headers.get("Location", "").startswith("/login"):
            broken.append(rule)
        answer.close()
    assert broken == []


def _log_in_as_owner(client: FormClient, ledger: Ledger) -> None:
    with ledger.sessions() as session:
        client.log_in(session.scalars(sa.select(User).where(User.role == Role.OWNER)).one())


def _count_of_events(ledger: Ledger) -> int:
    with ledger.sessions() as session:
        return session.query(Event).count()
