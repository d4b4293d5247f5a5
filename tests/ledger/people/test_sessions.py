"""Logins on record: tries at the same time all count, and neither a restore nor a clock brings one back to life."""

import threading
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa

from app.config import Config
from app.ledger.care.backups import make_backup
from app.ledger.care.opening import Ledger, open_ledger
from app.ledger.care.restoring import restore_backup
from app.ledger.care.sealing import house_secret
from app.ledger.people import sessions
from app.ledger.people.logins import LoginRefused
from app.ledger.people.own_secrets import TRIES, set_pin
from app.ledger.people.sessions import Limits, begin, end, find, list_open, lock, prove, unlock
from app.ledger.store.work import Work
from app.ledger.tables import Login, User
from tests.bare import config, work
from tests.conftest import NOW
from tests.factories import PASSWORD

__all__ = ["config", "work"]  # the bare house

LIMITS = Limits(timedelta(minutes=60), timedelta(hours=12))
PIN = "2580"


@pytest.fixture
def token(work: Work, owner: User) -> str:
    """The cookie's words of a login of the owner, begun now."""
    return begin(work, owner, "192.0.2.9")


def is_open(work: Work, token: str, **later: float) -> bool:
    work.session.rollback()
    return find(work.session, token, NOW + timedelta(**later), LIMITS) is not None


def test_the_database_holds_no_cookie(work: Work, token: str) -> None:
    row = work.session.scalars(sa.select(Login)).one()
    assert len(token) >= 43
    assert token.encode() not in row.token_hash and len(row.token_hash) == 32
    assert repr(row) == f"<Login ({row.id},)>"


def test_tries_at_the_same_time_all_count(
    ledger: Ledger, work: Work, token: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    set_pin(work, PASSWORD, PIN)
    login_id = work.session.scalars(sa.select(Login.id)).one()
    lock(work, login_id)
    compared: list[str] = []
    monkeypatch.setattr(sessions, "pin_matches", lambda vault, user, pin: compared.append(pin))

    def guess(number: int) -> None:
        with ledger.sessions() as session, pytest.raises(LoginRefused):
            unlock(replace(work, session=session), login_id, f"{number:04}")

    guesses = [threading.Thread(target=guess, args=(number,)) for number in range(12)]
    for one in guesses:
        one.start()
    for one in guesses:
        one.join()
    assert len(compared) == TRIES
    assert not is_open(work, token)


def test_after_the_last_try_the_right_pin_is_not_even_compared(work: Work, token: str) -> None:
    set_pin(work, PASSWORD, PIN)
    login_id = work.session.scalars(sa.select(Login.id)).one()
    for _ in range(TRIES):
        with pytest.raises(LoginRefused):
            unlock(work, login_id, "0000")
    with pytest.raises(LoginRefused, match="has ended"):
        unlock(work, login_id, PIN)
    assert not is_open(work, token)


def test_a_password_given_again_changes_the_cookie_s_words(work: Work, token: str) -> None:
    login_id = work.session.scalars(sa.select(Login.id)).one()
    fresh = prove(work, login_id, PASSWORD)
    assert (is_open(work, token), is_open(work, fresh)) == (False, True)


def test_a_locked_login_rests_until_its_last_hour_an_open_one_does_not(work: Work, token: str) -> None:
    assert is_open(work, token, minutes=60)
    assert not is_open(work, token, minutes=61)
    lock(work, work.session.scalars(sa.select(Login.id)).one())
    assert is_open(work, token, hours=12)
    assert not is_open(work, token, hours=12, seconds=1)


def test_a_clock_set_far_back_ends_a_login_rather_than_lengthen_it(work: Work, token: str) -> None:
    assert is_open(work, token, minutes=-9)
    assert not is_open(work, token, hours=-1)


def test_the_list_shows_what_is_open(work: Work, token: str, owner: User) -> None:
    other = begin(work, owner, "192.0.2.10")
    assert [one.address for one in list_open(work.session, NOW, LIMITS)] == ["192.0.2.10", "192.0.2.9"]
    end(work, other)
    assert [one.address for one in list_open(work.session, NOW, LIMITS)] == ["192.0.2.9"]
    assert list_open(work.session, NOW + timedelta(hours=2), LIMITS) == []


def test_a_new_login_on_the_same_browser_ends_the_one_before(work: Work, token: str, owner: User) -> None:
    again = begin(work, owner, "192.0.2.9", token)
    assert (is_open(work, token), is_open(work, again)) == (False, True)


def test_logins_are_forgotten_after_ninety_days(work: Work, token: str, owner: User) -> None:
    begin(replace(work, now=NOW + timedelta(days=91)), owner, "192.0.2.9")
    assert work.session.scalar(sa.select(sa.func.count()).select_from(Login)) == 1


@pytest.mark.sqlite
def test_a_restore_brings_no_login_back_to_life(
    config: Config, ledger: Ledger, work: Work, token: str, tmp_path: Path
) -> None:
    secret = house_secret(ledger.vault)
    made = make_backup(config, ledger, work.actor, tmp_path / "backups", secret, now=NOW)
    end(work, token)
    work.session.close()
    ledger.close()
    restore_backup(config, made.path, secret, work.actor)
    restored = open_ledger(config)
    with restored.sessions() as session:
        assert session.scalar(sa.select(sa.func.count()).select_from(Login)) == 1
        assert find(session, token, NOW, LIMITS) is None
    restored.close()
