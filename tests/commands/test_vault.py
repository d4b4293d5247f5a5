"""`bittern vault`: a backup first, an open house refused, and a key that comes back from its sheet."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from app.config import Config
from app.ledger.care.opening import Ledger, open_ledger
from tests.commands.conftest import Run


@pytest.mark.sqlite
def test_rotate_makes_a_backup_first_which_the_old_key_opens(run: Run, config: Config, tmp_path: Path) -> None:
    answer = run("vault", "rotate", "--backup-to", str(tmp_path / "backups"))
    assert answer.exit_code == 0, answer.output
    [backup] = (tmp_path / "backups").iterdir()
    [former] = config.vault_key_file.parent.glob("*.former-*")
    assert run("backup", "check", str(backup)).exit_code == 2
    assert run("backup", "check", str(backup), BITTERN_KEY_FILE=str(former)).exit_code == 0
    assert run("verify").exit_code == 0


def test_rotate_without_a_word_on_a_backup_is_refused(run: Run, config: Config) -> None:
    before = config.vault_key_file.read_text()
    answer = run("vault", "rotate")
    assert (answer.exit_code, "--backup-to" in answer.stderr) == (2, True)
    assert config.vault_key_file.read_text() == before
    assert run("vault", "rotate", "--without-backup").exit_code == 0
    assert config.vault_key_file.read_text() != before


@pytest.mark.sqlite
def test_an_open_house_is_not_rotated(run: Run, config: Config, ledger: Ledger) -> None:
    before = config.vault_key_file.read_text()
    with ledger.engine.connect() as connection:
        connection.exec_driver_sql("SELECT 1 FROM users")
        answer = run("vault", "rotate", "--without-backup")
    assert (answer.exit_code, "Stop bittern house serve" in answer.stderr) == (2, True)
    assert config.vault_key_file.read_text() == before


def test_the_sheet_brings_a_lost_key_back(run: Run, config: Config, tmp_path: Path) -> None:
    file = tmp_path / "sheet.txt"
    assert run("vault", "sheet", "--to", str(file)).exit_code == 0
    assert file.stat().st_mode & 0o077 == 0
    assert "was written on" in run("vault", "sheet", "--to", str(tmp_path / "more.txt")).stderr
    rows = "\n".join(
        line for line in file.read_text().splitlines() if line.strip()[:1] in "1234" and line[:4] == "    "
    )
    key = config.vault_key_file.read_text()
    assert "a key already" in run("vault", "recover", typed=rows).stderr
    config.vault_key_file.unlink()
    slip = run("vault", "recover", typed=rows.replace(rows.strip()[3], "z"))
    assert slip.exit_code == 2 and not config.vault_key_file.exists()
    assert run("vault", "recover", typed=rows).exit_code == 0
    assert config.vault_key_file.read_text() == key
    open_ledger(config).close()


def test_the_sheet_of_another_house_is_not_kept(run: Run, config: Config) -> None:
    from app.ledger.care.sealing_key import rows_of_key
    from app.ledger.store.vault import Vault

    config.vault_key_file.unlink()
    answer = run("vault", "recover", typed="\n".join(rows_of_key(Vault.new_key())))
    assert (answer.exit_code, "not the one that this database was sealed with" in answer.stderr) == (2, True)
    assert not config.vault_key_file.exists()


def test_no_key_shows_in_what_a_command_says(run: Run, config: Config, tmp_path: Path) -> None:
    key = config.vault_key_file.read_text().strip()
    said = (
        run("vault", "sheet", "--to", str(tmp_path / "s")).output + run("vault", "rotate", "--without-backup").output
    )
    assert key not in said and config.vault_key_file.read_text().strip() not in said


@pytest.mark.sqlite
def test_verify_tells_that_the_newest_events_are_gone(run: Run, config: Config, tmp_path: Path) -> None:
    run("vault", "sheet", "--to", str(tmp_path / "s"))
    run("vault", "rotate", "--without-backup")
    assert run("verify").exit_code == 0
    with closing(sqlite3.connect(config.instance / "bittern.sqlite3")) as connection:
        connection.executescript("DROP TRIGGER events_no_delete; DELETE FROM events WHERE id = 2")
    answer = run("verify")
    assert (answer.exit_code, "1 of its newest events are missing" in answer.stderr) == (1, True)
