"""The machine in trouble: a full disk, a file that cannot be written, a busy ledger, a damaged one, a wrong clock.

Each time: a page that says what to do, nothing of the save on record, and the next save goes through.
"""

import logging
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa
from flask import Flask
from sqlalchemy.orm import Session

from app import create_app
from app.config import Config
from app.ledger.care.opening import Ledger, open_ledger
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerStopped, trouble_of
from app.ledger.store.events import CLOCK_ACCEPTED, first_broken_link, record
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Role
from tests.conftest import NOW
from tests.factories import FormClient, UserFactory

ClientAs = Callable[[Role | None], FormClient]
TYPED = {"name": "Harbour Lights Cafe", "phone": "5550142", "is_another": "y"}


@pytest.fixture
def client(client_as: ClientAs) -> FormClient:
    client = client_as(Role.COUNTER)
    client.get("/customers")
    return client


def saves(client: FormClient) -> int:
    return int(client.post("/customers/new", data=TYPED).status_code)


def count(session: Session) -> int:
    session.rollback()
    return session.scalar(sa.select(sa.func.count()).select_from(Customer)) or 0


@contextmanager
def setting(ledger: Ledger, pragma: str) -> Iterator[None]:
    """Every connection of the house is put into a state, and taken out of it afterwards."""

    def put(connection: object, record: object, proxy: object) -> None:
        connection.execute(f"PRAGMA {pragma}")  # type: ignore[attr-defined]

    sa.event.listen(ledger.engine, "checkout", put)
    try:
        yield
    finally:
        sa.event.remove(ledger.engine, "checkout", put)
        ledger.engine.dispose()  # the state belongs to each connection, and the pool may hold several


@pytest.mark.sqlite
def test_a_full_disk_saves_nothing_and_says_so(client: FormClient, ledger: Ledger, session: Session) -> None:
    with ledger.engine.connect() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
    with setting(ledger, f"max_page_count = {pages}"):
        stopped = client.post("/customers/new", data={**TYPED, "remarks": "x" * 2000, "address": "y" * 2000})
        for number in range(200):  # fill what is left of the last pages
            if stopped.status_code == 503:
                break
            stopped = client.post("/customers/new", data={"name": f"Cafe {number} {'x' * 60}"})
        assert stopped.status_code == 503
        assert "The disk is full" in stopped.text and "make room" in stopped.text
        before = count(session)
        assert client.get("/customers").status_code == 200
    assert count(session) == before
    assert saves(client) == 303
    assert count(session) == before + 1
    assert first_broken_link(session) is None


@pytest.mark.sqlite
def test_a_file_that_cannot_be_written_saves_nothing(client: FormClient, ledger: Ledger, session: Session) -> None:
    with setting(ledger, "query_only = ON"):
        stopped = client.post("/customers/new", data=TYPED)
        assert (stopped.status_code, stopped.headers["Retry-After"]) == (503, "60")
        assert "cannot be written" in stopped.text
        assert client.get("/customers").status_code == 200
    assert count(session) == 0
    assert saves(client) == 303


def test_a_page_is_read_though_its_being_seen_cannot_be_written(
    client: FormClient, ledger: Ledger, web: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    web.extensions["clock"] = lambda: NOW + timedelta(minutes=5)

    tried: list[object] = []

    def stop(*given: object) -> None:
        tried.append(given)
        raise LedgerStopped("The disk is full", "No room.", "Make room.")

    monkeypatch.setattr("app.web.logins.see", stop)
    for _ in range(3):
        assert client.get("/customers").status_code == 200
    assert len(tried) == 1  # and no page waits for it again this minute
    web.extensions["clock"] = lambda: NOW + timedelta(minutes=7)
    assert client.get("/customers").status_code == 200
    assert len(tried) == 2


@pytest.mark.sqlite
def test_a_busy_ledger_says_to_save_again(client: FormClient, ledger: Ledger, session: Session) -> None:
    with (
        setting(ledger, "busy_timeout = 20"),
        ledger.sessions() as other,
        transaction(other),
    ):
        answer = client.post("/customers/new", data=TYPED)
        assert (answer.status_code, answer.headers["Retry-After"]) == (503, "5")
        assert "The ledger is busy" in answer.text
        assert client.get("/customers").status_code == 200
    assert count(session) == 0
    assert saves(client) == 303


@pytest.mark.sqlite
def test_a_damaged_file_stops_with_words_that_need_no_file(
    config: Config, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    ledger = open_ledger(config)
    app = create_app(config, ledger)
    app.extensions["started"] = True
    client = FormClient(app)
    assert client.get("/login").status_code == 200
    ledger.close()
    path = config.instance / "bittern.sqlite3"
    shutil.copy(path, tmp_path / "kept")
    path.write_bytes(b"this is not what it was\n" * 4000)
    with caplog.at_level(logging.CRITICAL):
        answer = client.get("/login")
    assert answer.status_code == 503
    assert "The ledger is damaged" in answer.text and "bittern restore" in answer.text
    shutil.copy(tmp_path / "kept", path)
    assert client.get("/login").status_code == 200
    ledger.close()


@pytest.mark.parametrize(
    ("code", "title"),
    [
        ("53100", "The disk is full"),
        ("25006", "The ledger cannot be written"),
        ("08006", "The ledger cannot be reached"),
        ("57P01", "The ledger cannot be reached"),
        ("XX001", "The ledger is damaged"),
        ("40P01", None),
        ("40001", None),
        ("55P03", None),
    ],
)
def test_what_postgresql_says_is_told_in_the_same_words(code: str, title: str | None) -> None:
    class Said(Exception):
        sqlstate = code

    told = trouble_of(sa.exc.OperationalError("x", None, Said()))
    assert told is not None
    assert getattr(told, "title", None) == title


def test_what_is_no_trouble_of_the_machine_stays_what_it_was() -> None:
    assert trouble_of(sa.exc.OperationalError("x", None, Exception("no such table: jobs"))) is None


# ---- the clock ----


@pytest.fixture
def something_on_record(work: Work) -> None:
    with transaction(work.session):
        record(work, "job changed", "job 1", "something at noon")


def test_a_clock_that_went_back_saves_nothing(
    client: FormClient, web: Flask, session: Session, work: Work, something_on_record: None
) -> None:
    web.extensions["clock"] = lambda: NOW - timedelta(minutes=9)
    assert saves(client) == 303
    web.extensions["clock"] = lambda: NOW - timedelta(hours=2)
    client.log_in(UserFactory(role=Role.COUNTER))
    before = count(session)
    stopped = client.post("/customers/new", data={"name": "Later Cafe"})
    assert stopped.status_code == 503
    assert "The clock went back" in stopped.text and "bittern house clock" in stopped.text
    assert client.get("/customers").status_code == 200
    assert count(session) == before
    web.extensions["clock"] = lambda: NOW
    assert client.post("/customers/new", data={"name": "Later Cafe"}).status_code == 303


def test_a_clock_that_was_wrong_before_is_accepted_once(
    client_as: ClientAs, web: Flask, work: Work, something_on_record: None
) -> None:
    earlier = NOW - timedelta(days=400)
    web.extensions["clock"] = lambda: earlier
    client = client_as(Role.COUNTER)
    assert client.post("/customers/new", data=TYPED).status_code == 503
    with transaction(work.session):
        record(replace(work, now=earlier), CLOCK_ACCEPTED, "house", "the clock is right")
    assert client.post("/customers/new", data=TYPED).status_code == 303
