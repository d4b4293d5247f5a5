"""The backups page: when the last good one was, said aloud when it is old, and one to take away."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from flask import Flask

from app.config import Config
from app.ledger.care import sealing
from app.ledger.care.backups import MADE, last_backup
from app.ledger.care.restoring import read_backup
from app.ledger.care.sealing import passphrase_secret
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Role, User
from tests.conftest import NOW
from tests.factories import FormClient

ClientAs = Callable[[Role | None], FormClient]
pytestmark = pytest.mark.sqlite  # a house in PostgreSQL has that server's own tools
PHRASE = "low water at the reed bed"


@pytest.fixture(autouse=True)
def _cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    """A passphrase costs little to derive from here."""
    monkeypatch.setattr("app.web.care.passphrase_secret", lambda phrase: passphrase_secret(phrase, cost=4))


def test_never_and_long_ago_are_said_aloud(owner_client: FormClient, work: Work, web: Flask) -> None:
    assert "No backup is on record" in owner_client.get("/house/backups").text
    record(work, MADE, "house", "Backup made", name="bittern-daily-2026-11-25.backup", bytes=1_234_567)
    work.session.commit()
    page = owner_client.get("/house/backups").text
    assert "Caution:" not in page and "25 Nov 2026" in page and "1,234,567" in page
    web.extensions["clock"] = lambda: NOW + timedelta(hours=25)
    owner_client.log_in(work.session.get_one(User, work.actor.user_id))
    assert "more than a day ago" in owner_client.get("/house/backups").text


def test_a_backup_to_take_away_opens_with_its_passphrase(
    owner_client: FormClient, work: Work, config: Config, tmp_path: Path
) -> None:
    (config.instance / "files").mkdir()
    (config.instance / "files" / "old cylinder.jpg").write_bytes(b"a photo")
    answer = owner_client.post("/house/backups/download", data={"passphrase": PHRASE, "again": PHRASE})
    assert answer.status_code == 200 and answer.headers["Content-Disposition"].startswith(
        "attachment; filename=bittern-"
    )
    assert "no-store" in answer.headers["Cache-Control"]
    path = tmp_path / "taken.backup"
    path.write_bytes(answer.data)
    answer.close()
    assert read_backup(config, path, passphrase_secret(PHRASE, cost=4)).files == 1
    made = last_backup(work.session)
    assert made is not None and (made.by, made.size) == ("Owner", path.stat().st_size)
    assert not list(config.instance.glob(".backup-*"))  # nothing of it stays behind


@pytest.mark.parametrize(
    ("typed", "again", "said"),
    [
        ("short", "short", "12 to 1,000"),
        (PHRASE, "other", "differ"),
        ("", "", "Enter a passphrase"),
        ("x" * 1001, "x" * 1001, "12"),
    ],
)
def test_a_passphrase_that_protects_nothing_makes_no_backup(
    owner_client: FormClient, work: Work, typed: str, again: str, said: str
) -> None:
    answer = owner_client.post("/house/backups/download", data={"passphrase": typed, "again": again})
    assert answer.status_code == 422 and said in answer.text
    assert PHRASE not in answer.text and "x" * 1001 not in answer.text
    assert last_backup(work.session) is None


def test_a_full_disk_is_told_and_leaves_nothing(
    owner_client: FormClient, config: Config, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: sealing.SealedWriter, plain: bytes, *, is_last: bool) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(sealing.SealedWriter, "_seal", full)
    answer = owner_client.post("/house/backups/download", data={"passphrase": PHRASE, "again": PHRASE})
    assert answer.status_code == 422 and "No space left" in answer.text
    assert not list(config.instance.glob(".backup-*"))


@pytest.mark.parametrize("role", [Role.COUNTER, Role.BENCH])
def test_backups_are_the_owners(client_as: ClientAs, role: Role) -> None:
    client = client_as(role)
    assert client.get("/house/backups").status_code == 403
    assert client.post("/house/backups/download", data={"passphrase": PHRASE, "again": PHRASE}).status_code == 403


def test_a_house_in_postgresql_is_sent_to_its_own_tools(owner_client: FormClient, web: Flask, config: Config) -> None:
    web.extensions["config"] = replace(config, database_url="postgresql+psycopg:///bittern")
    page = owner_client.get("/house/backups").text
    assert "pg_dump" in page and "pg_restore" in page and "Make and download" not in page
    answer = owner_client.post("/house/backups/download", data={"passphrase": PHRASE, "again": PHRASE})
    assert answer.status_code == 422 and "pg_dump" in answer.text
