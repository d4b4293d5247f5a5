"""A new sealing key: every value opens with it, or every value still opens with the old one."""

import os
from dataclasses import replace
from typing import Any

import pytest
import sqlalchemy as sa

from app.config import Config
from app.keying import LevelArray
from app.ledger.care import resealing
from app.ledger.care.opening import Ledger, migrate, next_key_file, open_ledger
from app.ledger.care.sealing_key import ROTATED, key_of_rows, rotate_key, rows_of_key, sheet_text, take_sheet
from app.ledger.keysystems.bittings import open_bittings, open_plan, seal_plan
from app.ledger.people.own_secrets import set_pin
from app.ledger.store.engine import make_engine, transaction
from app.ledger.store.errors import VaultError
from app.ledger.store.vault import Vault
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Base, Bitting, Cylinder, Event, Keyset, KeySystem, Loss, Role, User, VaultCheck
from tests.bare import config, work
from tests.conftest import NOW
from tests.factories import PASSWORD
from tests.keyed import BITTINGS, keyed_job

__all__ = ["config", "work"]  # the bare house

BY = Actor(None, "the command line", Role.OWNER)


@pytest.fixture
def keyed(work: Work) -> int:
    """A system with three bittings and a plan, and an owner with a PIN; the system's id."""
    system_id = keyed_job(work).system.id
    with transaction(work.session):
        plan = LevelArray((5, 2, 8, 6, 1, 4), "tttttt")
        seal_plan(work, work.session.get_one(KeySystem, system_id), plan, ())
    set_pin(work, PASSWORD, "2580")
    work.session.rollback()
    return system_id


def opens(config: Config, system_id: int) -> str:
    """Open the house anew and read everything; the key it opened with, by its check."""
    ledger = open_ledger(config)
    try:
        with ledger.sessions() as session:
            system = session.get_one(KeySystem, system_id)
            cuts = open_bittings(session, ledger.vault, [system])
            symbols = {keyset.id: keyset.symbol for keyset in session.scalars(sa.select(Keyset))}
            assert {symbols[number]: "".join(map(str, one)) for number, one in cuts.items()} == BITTINGS
            plan = open_plan(ledger.vault, system)
            assert plan is not None and plan.tmk == (5, 2, 8, 6, 1, 4)
            for row in session.scalars(sa.select(Bitting)):
                text = BITTINGS[symbols[row.keyset_id]]
                assert row.fingerprint == ledger.vault.fingerprint(text, f"system {system_id}")
            assert session.scalars(sa.select(VaultCheck.check_value)).one() == ledger.vault.check_value
            return ledger.vault.check_value
    finally:
        ledger.close()


def test_every_sealed_value_has_the_new_key(config: Config, ledger: Ledger, keyed: int, work: Work) -> None:
    before = work.session.scalars(sa.select(Bitting.sealed)).all()
    work.session.rollback()
    old_key = config.vault_key_file.read_text()
    done = rotate_key(config, ledger, BY, NOW)
    assert (done.values, done.pins) == (4, 1)
    assert opens(config, keyed) != ledger.vault.check_value
    assert done.former.read_text() == old_key and done.former.stat().st_mode & 0o077 == 0
    assert config.vault_key_file.stat().st_mode & 0o077 == 0
    assert not next_key_file(config.vault_key_file).exists()
    assert not set(before) & set(work.session.scalars(sa.select(Bitting.sealed)))
    event = work.session.scalars(sa.select(Event).order_by(Event.id.desc())).first()
    assert event is not None and (event.kind, event.detail) == (ROTATED, {"values": 4, "pins": 1})
    assert set(work.session.scalars(sa.select(User.pin_hash))) == {""}


def test_every_sealed_column_is_known_to_the_rotation() -> None:
    """A new column of sealed bytes has to be taught to `reseal` before this list may grow."""
    blobs = {
        f"{table.name}.{column.name}"
        for table in Base.metadata.sorted_tables
        for column in table.columns
        if isinstance(column.type, sa.LargeBinary)
    }
    resealed = {
        "bittings.sealed",
        "bittings.fingerprint",
        "list_rows_aside.sealed",
        "key_systems.sealed_plan",
        "cylinders.sealed_pins",
        "losses.sealed_lost",
        "pin_draws.sealed",
        "losses.sealed_plan",
        "users.factor_sealed",
    }
    known = {f"{model.__tablename__}.{column}" for model, column, *_ in resealing._SEALED}
    assert known == resealed - {"bittings.fingerprint"}
    plain = {
        "events.hash",
        "events.previous_hash",
        "logins.token_hash",
        "job_files.sha256",
        "maker_papers.sha256",
        "maker_pictures.jpeg",
    }
    plain |= {"replaced_texts.replaced_hash", "replaced_texts.sealed"}  # under deletions' own keys, which do not turn
    assert blobs == resealed | plain


EMPTY = {
    "bittings": "DELETE FROM bittings",
    "plan": "UPDATE key_systems SET sealed_plan = NULL",
    "lost bitting": "UPDATE losses SET sealed_lost = NULL",
    "plan of a loss": "UPDATE losses SET sealed_plan = NULL",
    "pins": "UPDATE cylinders SET sealed_pins = NULL",
    "second factor": "UPDATE users SET factor_sealed = NULL",
    "PIN": "UPDATE users SET pin_hash = ''",
}


def loses_its_check(config: Config, *but: str) -> None:
    """The key's check is gone from the database, and of what the key is needed for only `but` is left."""
    engine = make_engine(config.url)
    with engine.begin() as connection:
        connection.exec_driver_sql("DELETE FROM vault_checks")
        for what, deed in EMPTY.items():
            if what not in but:
                connection.exec_driver_sql(deed)
    engine.dispose()


@pytest.fixture
def full(config: Config, ledger: Ledger, keyed: int, work: Work) -> int:
    """The keyed house with something in every sealed column, closed; the system's id."""
    with transaction(work.session):
        for user in work.session.scalars(sa.select(User).where(User.pin_hash != "")):
            user.factor_sealed = ledger.vault.seal("A" * 32, f"second factor of user {user.id}")
        keyset = work.session.scalars(sa.select(Keyset).order_by(Keyset.id).limit(1)).one()
        loss = Loss(system_id=keyed, keyset_id=keyset.id, reported_at=NOW)
        work.session.add(loss)
        work.session.flush()
        loss.sealed_lost = ledger.vault.seal("52", f"bitting lost by loss {loss.id}")
        loss.sealed_plan = ledger.vault.seal("{}", f"plan of loss {loss.id}")
        cylinder = work.session.scalars(sa.select(Cylinder).order_by(Cylinder.id).limit(1)).one()
        cylinder.sealed_pins = ledger.vault.seal("{}", f"pins of cylinder {cylinder.id}")
    work.session.close()
    ledger.close()
    return keyed


@pytest.mark.postgresql
@pytest.mark.parametrize("left", EMPTY)
def test_no_new_key_is_made_where_anything_sealed_is_left(config: Config, full: int, left: str) -> None:
    loses_its_check(config, left)
    config.vault_key_file.unlink()
    with pytest.raises(VaultError, match=r"bittern\.key is missing\. Put the key file back.*BITTERN_KEY"):
        open_ledger(config)
    assert not config.vault_key_file.exists()
    migrate(config)  # as `bittern house migrate` does
    assert not config.vault_key_file.exists()


def test_another_key_does_not_become_the_house_s_where_the_check_is_gone(config: Config, full: int) -> None:
    key = config.vault_key_file.read_text().strip()
    loses_its_check(config, *EMPTY)
    for left in (EMPTY, ["second factor"]):
        if left != EMPTY:
            loses_its_check(config, *left)
        with pytest.raises(VaultError, match=r"key in BITTERN_KEY does not open what is sealed.*bittern restore"):
            open_ledger(replace(config, key=Vault.new_key()))
        config.vault_key_file.write_text(Vault.new_key())
        with pytest.raises(VaultError, match=r"key file .*bittern\.key does not open what is sealed"):
            open_ledger(config)
    config.vault_key_file.write_text(key)
    open_ledger(config).close()


def test_the_right_key_s_check_is_put_back_where_it_is_gone(config: Config, full: int) -> None:
    loses_its_check(config, *EMPTY)
    assert opens(config, full)  # with the check on record again, as `opens` looks


@pytest.mark.postgresql
@pytest.mark.parametrize("stop", ["seal", "record", "commit"])
def test_stopped_before_the_end_the_old_key_opens(
    config: Config, ledger: Ledger, keyed: int, stop: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def die(*given: object, **named: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as dying:
        if stop == "seal":
            real, calls = Vault.seal, []

            def third_dies(self: Vault, text: str, context: str) -> bytes:
                calls.append(context)
                return real(self, text, context) if len(calls) < 3 else die()  # type: ignore[return-value]

            dying.setattr(Vault, "seal", third_dies)
        elif stop == "record":
            dying.setattr("app.ledger.care.sealing_key.record", die)
        else:
            dying.setattr("sqlalchemy.orm.Session.commit", die)
        with pytest.raises(KeyboardInterrupt):
            rotate_key(config, ledger, BY, NOW)
    assert next_key_file(config.vault_key_file).exists()
    assert opens(config, keyed) == ledger.vault.check_value
    rotate_key(config, ledger, BY, NOW)
    assert opens(config, keyed) != ledger.vault.check_value


@pytest.mark.postgresql
@pytest.mark.parametrize("stop", ["link", "replace", "fsync"])
def test_stopped_before_the_key_has_its_place_the_next_opening_puts_it_there(
    config: Config, ledger: Ledger, keyed: int, stop: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def die(*given: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as dying:
        if stop == "fsync":  # the new key's own file is written with care; the folder's turn comes last
            real, calls = os.fsync, []

            def second_dies(handle: int) -> None:
                calls.append(handle)
                real(handle)
                if len(calls) > 1:
                    die()

            dying.setattr(os, "fsync", second_dies)
        else:
            dying.setattr(os, stop, die)
        with pytest.raises(KeyboardInterrupt):
            rotate_key(config, ledger, BY, NOW)
    found = opens(config, keyed)
    assert found != ledger.vault.check_value
    assert not next_key_file(config.vault_key_file).exists()
    assert opens(config, keyed) == found
    former = sorted(config.vault_key_file.parent.glob("*.former-*"))
    assert former and all(Vault.from_file(one).check_value == ledger.vault.check_value for one in former)


def test_a_value_that_does_not_open_stops_the_rotation(
    config: Config, ledger: Ledger, keyed: int, work: Work
) -> None:
    row = work.session.scalars(sa.select(Bitting).order_by(Bitting.id.desc())).first()
    assert row is not None
    whole = row.sealed
    row.sealed = whole[:-1] + bytes([whole[-1] ^ 1])
    work.session.commit()
    with pytest.raises(VaultError, match="does not open"):
        rotate_key(config, ledger, BY, NOW)
    work.session.refresh(row)
    row.sealed = whole
    work.session.commit()
    assert opens(config, keyed) == ledger.vault.check_value


def test_a_house_that_was_open_meanwhile_seals_nothing_with_the_old_key(
    config: Config, ledger: Ledger, keyed: int, work: Work
) -> None:
    rotate_key(config, ledger, BY, NOW)
    with pytest.raises(VaultError, match="Stop Bittern and start it again"), transaction(work.session):
        seal_plan(work, work.session.get_one(KeySystem, keyed), LevelArray((5, 2, 8, 6, 1, 4), "tttttt"), ())
    with pytest.raises(VaultError, match="changed by somebody else"):
        rotate_key(config, ledger, BY, NOW)


def test_a_key_from_the_environment_is_not_rotated(config: Config, ledger: Ledger) -> None:
    with pytest.raises(VaultError, match="BITTERN_KEY"):
        rotate_key(replace(config, key=Vault.new_key()), ledger, BY, NOW)


# ---- the recovery sheet ----


def test_a_sheet_is_written_once_for_each_key(config: Config, ledger: Ledger, work: Work) -> None:
    take_sheet(work, again=False)
    with pytest.raises(VaultError, match="was written on"):
        take_sheet(work, again=False)
    take_sheet(work, again=True)
    kinds = list(work.session.scalars(sa.select(Event.kind).order_by(Event.id)))
    assert kinds[-2:] == ["recovery sheet written", "recovery sheet written again"]
    work.session.rollback()
    rotate_key(config, ledger, BY, NOW)
    take_sheet(work, again=False)


def test_only_the_owner_has_it_written(work_as: Any) -> None:
    from app.ledger.store.errors import NotAllowed

    with pytest.raises(NotAllowed):
        take_sheet(work_as(Role.BENCH), again=False)


def test_the_sheet_holds_the_key_and_reads_back() -> None:
    for _ in range(50):
        key = Vault.new_key()
        text = sheet_text("Fenwick Quay", key, NOW)
        rows = [line for line in text.splitlines() if line.strip()[:3] in ("1  ", "2  ", "3  ", "4  ")]
        assert key_of_rows([row.upper() for row in rows]) == key


@pytest.mark.parametrize("row", range(4))
def test_a_slip_of_one_digit_names_its_row(row: int) -> None:
    rows = list(rows_of_key("AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8="))
    missed = 0
    for place, digit in enumerate(rows[row]):
        if place < 3 or digit == " ":
            continue
        slip = list(rows)
        slip[row] = rows[row][:place] + ("0" if digit != "0" else "1") + rows[row][place + 1 :]
        try:
            key_of_rows(slip)
            missed += 1
        except VaultError as error:
            assert f"Row {row + 1}" in error.message
    assert missed == 0


@pytest.mark.parametrize("lines", [[], ["x"] * 4, ["1"] * 5, ["9" * 10_000] * 4, ["\x00"] * 4, ["1  0001 0203"] * 4])
def test_what_is_no_sheet_is_refused(lines: list[str]) -> None:
    with pytest.raises(VaultError):
        key_of_rows(lines)
