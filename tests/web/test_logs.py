"""No secret reaches a log, whatever happens: not a password, a PIN, a bitting, a key, or a cookie."""

import logging
from collections.abc import Callable

import pytest
from flask import Flask
from sqlalchemy.orm import Session

from app.config import Config
from app.ledger.store.errors import VaultError
from app.ledger.store.work import Work
from app.ledger.tables import Bitting, Role
from tests.factories import PASSWORD, FormClient
from tests.keyed import BITTINGS, keyed_job

ClientAs = Callable[[Role | None], FormClient]
TYPED = "low water at the quay"
PIN = "2580"


def test_a_day_of_work_and_of_faults_logs_no_secret(
    web: Flask,
    client_as: ClientAs,
    work: Work,
    session: Session,
    config: Config,
    caplog: pytest.LogCaptureFixture,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    caplog.set_level(logging.DEBUG)
    keyed = keyed_job(work)
    client = client_as(Role.OWNER)
    client.post("/login", data={"name": "Owner", "password": TYPED})
    client.post("/my-login/pin", data={"current": PASSWORD, "pin": PIN, "again": PIN})
    client.post("/my-password", data={"current": PASSWORD, "password": TYPED, "again": TYPED})
    client.post("/lock")
    client.post("/unlock", data={"secret-again": PIN})
    system, job = keyed.system.id, keyed.job.number
    assert client.post(f"/key-systems/{system}/bitting-list.pdf").status_code == 200
    assert client.post(f"/bench/jobs/{job}/bittings").status_code == 200
    client_as(Role.COUNTER).post(f"/bench/jobs/{job}/bittings")
    # Faults, where a careless line would print what it had in hand.
    row = session.query(Bitting).first()
    assert row is not None
    row.sealed = row.sealed[:-1] + b"\x00"
    session.commit()
    assert client.post(f"/bench/jobs/{job}/bittings").status_code == 500
    monkeypatch.setattr("app.web.bench.page.bench_work", lambda *given: 1 / 0)
    assert client.post(f"/bench/jobs/{job}/bittings").status_code == 500
    assert "reference" in caplog.text and "refused: bench.bittings" in caplog.text
    with client.session_transaction() as held:
        cookie_words = held["login"]
    secrets = {
        "password": TYPED,
        "old password": PASSWORD,
        "cookie": cookie_words,
        "sealing key": config.vault_key_file.read_text().strip(),
        "session key": str(web.secret_key),
        **{f"bitting of {symbol}": bitting for symbol, bitting in BITTINGS.items()},
    }
    assert [name for name, secret in secrets.items() if secret in caplog.text] == []


@pytest.mark.parametrize("value", ["528614", "AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8="])
def test_the_vault_s_own_words_hold_nothing_of_what_it_was_given(work: Work, value: str) -> None:
    sealed = work.vault.seal(value, "here")
    with pytest.raises(VaultError) as refused:
        work.vault.open(sealed, "there")
    assert value not in str(refused.value) and value not in repr(refused.value)
    assert value not in repr(work.vault) + repr(work)
