"""Backup and restore: under load, on an empty folder, and everything that can be wrong with a file or a folder."""

import errno
import io
import json
import os
import resource
import shutil
import sqlite3
import subprocess
import sys
import tarfile
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest
import sqlalchemy as sa
from alembic import command
from click.testing import CliRunner, Result

from app.cli import main
from app.config import Config
from app.documents import bench_sheet_pdf, schedule_pdf
from app.ledger.bench.bench_sheet import bench_work
from app.ledger.care import backups, place, sealing
from app.ledger.care.backups import EarlierCopies, daily_backup, earlier_copies, last_backup, make_backup
from app.ledger.care.opening import Ledger, alembic_config, migrate, open_ledger
from app.ledger.care.place import database_file, scratch
from app.ledger.care.restoring import DATABASE, MANIFEST, read_backup, restore_backup
from app.ledger.care.sealing import CHUNK, SealedReader, SealedWriter, Secret, house_secret, passphrase_secret
from app.ledger.jobs.papers import schedule_of
from app.ledger.keys.keys import order_copies
from app.ledger.store.engine import transaction
from app.ledger.store.errors import BackupError, LedgerError, LedgerStopped, VaultError
from app.ledger.store.events import first_broken_link, record
from app.ledger.store.vault import Vault
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Event, Job, Login, Role
from tests import factories
from tests.conftest import NOW
from tests.keyed import Keyed, keyed_job

pytestmark = pytest.mark.sqlite  # a house in PostgreSQL has that server's own tools

PHRASE = "low water at the reed bed"
HOUSE = Actor(None, "the house", Role.OWNER)


@pytest.fixture
def config(empty_house: Path, copied: Callable[[Path], Config]) -> Config:
    return copied(empty_house)


@pytest.fixture
def secret() -> Secret:
    return passphrase_secret(PHRASE, cost=4)  # cheap to derive, so that the tests are quick


@pytest.fixture
def house(config: Config) -> tuple[Ledger, Keyed]:
    """A house with a keyed job, and two files that hang on jobs."""
    ledger = open_ledger(config)
    with ledger.sessions() as session, factories.saving_into(session):
        owner = factories.UserFactory(role=Role.OWNER)
        keyed = keyed_job(Work(session, ledger.vault, Actor.of(owner), NOW))
    (config.instance / "files" / "1042").mkdir(parents=True)
    (config.instance / "files" / "1042" / "old cylinder.jpg").write_bytes(os.urandom(3 * CHUNK + 17))
    (config.instance / "files" / "leer é.txt").write_text("")
    return ledger, keyed


def made_in(config: Config, ledger: Ledger, folder: Path, secret: Secret) -> Path:
    return make_backup(config, ledger, HOUSE, folder, secret).path


def old_manifest(ledger: Ledger) -> bytes:
    """What a backup said of itself before houses had ids."""
    return json.dumps({"format": 1, "made_at": NOW.isoformat(), "key_check": ledger.vault.check_value}).encode()


def old_copy(config: Config, ledger: Ledger, path: Path, secret: Secret) -> Path:
    """A daily copy as an earlier release made it: no house's id in its head, in its manifest or in its name."""
    copied = path.with_suffix(".sqlite3")
    backups._copy_database(database_file(config), copied)
    with path.open("wb") as out:
        backups._write(out, secret, copied, config.instance / "files", old_manifest(ledger))
    copied.unlink()
    return path


def its_id(config: Config) -> str:
    with closing(sqlite3.connect(database_file(config))) as connection:
        [(uid,)] = connection.execute("SELECT uid FROM house_identity").fetchall()
    return str(uid)


def rows(database: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every row of every table, read past the application."""
    connection = sqlite3.connect(database)
    try:
        names = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        # The names are the database's own.
        return {name: sorted(connection.execute(f'SELECT * FROM "{name}"'), key=repr) for name in names}  # noqa: S608
    finally:
        connection.close()


def papers(config: Config) -> tuple[bytes, bytes]:
    ledger = open_ledger(config)
    with ledger.work(HOUSE, NOW) as work:
        job = work.session.scalars(sa.select(Job)).one()
        found = schedule_pdf(schedule_of(work, job)), bench_sheet_pdf(bench_work(work, job))
    ledger.close()
    return found


def files(config: Config) -> dict[str, bytes]:
    folder = config.instance / "files"
    return {str(one.relative_to(folder)): one.read_bytes() for one in sorted(folder.rglob("*")) if one.is_file()}


def standing(config: Config) -> dict[str, bytes]:
    """Every file of the instance folder."""
    return {
        str(one.relative_to(config.instance)): one.read_bytes() for one in config.instance.rglob("*") if one.is_file()
    }


def moved(config: Config, folder: Path, *, with_key: bool = True) -> Config:
    """An empty machine: nothing but the sealing key, from the owner's own copy."""
    there = Config(instance=folder)
    if with_key:
        there.vault_key_file.parent.mkdir(parents=True, mode=0o700)
        shutil.copy(config.vault_key_file, there.vault_key_file)
    return there


def test_a_backup_put_back_on_an_empty_machine_has_the_same_rows_files_and_papers(
    config: Config, house: tuple[Ledger, Keyed], tmp_path: Path, secret: Secret
) -> None:
    ledger, _ = house
    before = rows(database_file(config))
    path = made_in(config, ledger, tmp_path / "out", secret)
    ledger.close()
    there = moved(config, tmp_path / "other machine")
    restored = restore_backup(there, path, secret, HOUSE)
    assert (restored.report.files, restored.replaced, restored.report.brought_up) == (2, None, False)
    after = rows(database_file(there))
    assert set(after) == set(before)
    story = {"events", "counters"}
    assert {name: after[name] for name in after if name not in story} == {
        name: before[name] for name in before if name not in story
    }
    new = [row for row in after["events"] if row not in before["events"]]
    assert len(new) == 1 and len(after["events"]) == len(before["events"]) + 1
    assert "put back" in str(new[0])
    assert files(there) == files(config)
    assert papers(there) == papers(config)
    assert not list(there.instance.glob(".backup-*")) and not list(config.instance.glob(".backup-*"))


def test_a_backup_under_load_holds_one_moment(
    config: Config, house: tuple[Ledger, Keyed], tmp_path: Path, secret: Secret
) -> None:
    ledger, keyed = house
    stop, failed, written = threading.Event(), [], [0]

    def write() -> None:
        try:
            while not stop.is_set():
                with ledger.work(HOUSE) as work:
                    order_copies(work, keyed.system.id, "1AA", 1)
                written[0] += 1
        except Exception as error:
            failed.append(error)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        paths = []
        for number in range(3):
            had = written[0]
            paths.append(make_backup(config, ledger, HOUSE, tmp_path / "out", secret, f"{number}.backup").path)
            while written[0] == had and not failed:  # the writer gets on whatever the backup does
                stop.wait(0.005)
    finally:
        stop.set()
        writer.join()
    assert failed == []
    ledger.close()
    for number, path in enumerate(paths):
        there = moved(config, tmp_path / f"machine {number}")
        restore_backup(there, path, secret, HOUSE)
        kept = rows(database_file(there))
        ordered = [row for row in kept["events"] if "keys ordered" in row]
        # Each order wrote one key and one event in one transaction: a torn copy would have one without the other.
        assert len(kept["keys"]) == 3 + len(ordered)


def test_a_standing_house_is_exchanged_and_kept_beside(
    config: Config, house: tuple[Ledger, Keyed], tmp_path: Path, secret: Secret
) -> None:
    ledger, keyed = house
    path = made_in(config, ledger, tmp_path / "out", secret)
    with ledger.work(HOUSE) as work:
        order_copies(work, keyed.system.id, "1AA", 5)
    (config.instance / "files" / "later.txt").write_text("after the backup")
    with pytest.raises(BackupError, match="Stop bittern house serve first"):
        restore_backup(config, path, secret, HOUSE)
    ledger.close()
    later = rows(database_file(config))
    assert len(later["keys"]) == 8
    restored = restore_backup(config, path, secret, HOUSE)
    assert len(rows(database_file(config))["keys"]) == 3
    assert "later.txt" not in files(config)
    assert restored.replaced is not None
    assert rows(restored.replaced / DATABASE) == later
    assert (restored.replaced / "files" / "later.txt").read_text() == "after the backup"
    reopened = open_ledger(config)
    with reopened.sessions() as session:
        assert first_broken_link(session) is None
    reopened.close()


def test_a_damaged_database_may_be_replaced(
    config: Config, house: tuple[Ledger, Keyed], tmp_path: Path, secret: Secret
) -> None:
    ledger, _ = house
    path = made_in(config, ledger, tmp_path / "out", secret)
    ledger.close()
    for one in config.instance.glob("bittern.sqlite3*"):
        one.write_bytes(b"the disk wrote nonsense here" * 500)
    restored = restore_backup(config, path, secret, HOUSE)
    assert restored.replaced is not None and (restored.replaced / DATABASE).read_bytes().startswith(b"the disk")
    assert len(rows(database_file(config))["keys"]) == 3


Spoil = Callable[[Path], None]


def _change(place: int) -> Spoil:
    def spoil(path: Path) -> None:
        content = bytearray(path.read_bytes())
        content[place] ^= 1
        path.write_bytes(content)

    return spoil


def _cut(keep: Callable[[int], int]) -> Spoil:
    return lambda path: os.truncate(path, keep(path.stat().st_size))


def _swap(path: Path) -> None:
    content = path.read_bytes()
    start = 12 + int.from_bytes(content[8:12], "big")
    one, two = content[start : start + CHUNK + 16], content[start + CHUNK + 16 : start + 2 * (CHUNK + 16)]
    path.write_bytes(content[:start] + two + one + content[start + 2 * (CHUNK + 16) :])


@pytest.mark.parametrize(
    "spoil",
    [
        pytest.param(_change(-1), id="last byte"),
        pytest.param(_change(5_000), id="a byte of the first chunk"),
        pytest.param(_change(60), id="a byte of the head"),
        pytest.param(_change(2), id="the magic"),
        pytest.param(_cut(lambda size: size - 1), id="one byte short"),
        pytest.param(_cut(lambda size: size // 2), id="half"),
        pytest.param(_cut(lambda size: 12 + 200 + CHUNK), id="about one chunk"),
        pytest.param(_cut(lambda size: 30), id="within the head"),
        pytest.param(_cut(lambda size: 0), id="empty"),
        pytest.param(_swap, id="two chunks exchanged"),
        pytest.param(lambda path: path.write_bytes(path.read_bytes() + b"x"), id="a byte more"),
        pytest.param(lambda path: path.write_bytes(path.read_bytes() * 2), id="twice over"),
        pytest.param(lambda path: path.unlink(), id="gone"),
        pytest.param(lambda path: path.write_bytes(b"PK\x03\x04" * 1000), id="another kind of file"),
    ],
)
def test_a_spoiled_file_is_refused_and_nothing_replaced(
    config: Config, house: tuple[Ledger, Keyed], tmp_path: Path, secret: Secret, spoil: Spoil
) -> None:
    ledger, _ = house
    path = made_in(config, ledger, tmp_path / "out", secret)
    ledger.close()
    spoil(path)
    before = standing(config)
    for use in (lambda: restore_backup(config, path, secret, HOUSE), lambda: read_backup(config, path, secret)):
        with pytest.raises(BackupError) as refused:
            use()
        assert refused.value.field == "file"
    assert standing(config) == before


def test_another_passphrase_or_kind_of_secret_opens_nothing(
    config: Config, house: tuple[Ledger, Keyed], tmp_path: Path, secret: Secret
) -> None:
    ledger, _ = house
    path = made_in(config, ledger, tmp_path / "out", secret)
    before = rows(database_file(config)), files(config)
    with pytest.raises(BackupError, match="the passphrase or key is another"):
        restore_backup(config, path, passphrase_secret("high water at the reed bed", cost=4), HOUSE)
    with pytest.raises(BackupError, match="sealed with a passphrase"):
        restore_backup(config, path, house_secret(ledger.vault), HOUSE)
    assert (rows(database_file(config)), files(config)) == before
    ours = made_in(config, ledger, tmp_path / "ours", house_secret(ledger.vault))
    with pytest.raises(BackupError, match="the passphrase or key is another"):
        read_backup(config, ours, house_secret(Vault(Vault.new_key())))
    with pytest.raises(BackupError, match="not with a passphrase"):
        read_backup(config, ours, secret)
    assert read_backup(config, ours, house_secret(ledger.vault)).files == 2
    ledger.close()


def test_the_wrong_sealing_key_or_none_replaces_nothing(
    config: Config, house: tuple[Ledger, Keyed], tmp_path: Path, secret: Secret
) -> None:
    ledger, _ = house
    path = made_in(config, ledger, tmp_path / "out", secret)
    ledger.close()
    bare = moved(config, tmp_path / "no key", with_key=False)
    with pytest.raises(VaultError, match="is missing"):
        restore_backup(bare, path, secret, HOUSE)
    assert not bare.instance.exists()
    wrong = moved(config, tmp_path / "wrong key", with_key=False)
    Vault.make_file(wrong.vault_key_file)
    before = standing(wrong)
    with pytest.raises(BackupError, match="not the one that this backup was sealed with") as refused:
        restore_backup(wrong, path, secret, HOUSE)
    assert refused.value.field == "key file"
    assert standing(wrong) == before


def test_the_sealing_key_is_not_in_the_backup_nor_anything_in_clear(
    config: Config, house: tuple[Ledger, Keyed], tmp_path: Path, secret: Secret
) -> None:
    ledger, _ = house
    path = made_in(config, ledger, tmp_path / "out", secret)
    ledger.close()
    assert path.stat().st_mode & 0o777 == 0o600
    sealed = path.read_bytes()
    assert b"SQLite format" not in sealed and b"Harbourmaster" not in sealed and b"old cylinder" not in sealed
    with path.open("rb") as source:
        plain = SealedReader(source, secret).read()
    with tarfile.open(fileobj=io.BytesIO(plain)) as tar:
        assert tar.getnames() == [MANIFEST, DATABASE, "files/1042/old cylinder.jpg", "files/leer é.txt"]
    assert config.vault_key_file.read_bytes().strip() not in plain
    assert (config.instance / "keys" / "bittern.key").exists()


def test_a_damaged_story_inside_a_sealed_file_is_refused(
    config: Config, house: tuple[Ledger, Keyed], tmp_path: Path, secret: Secret
) -> None:
    ledger, keyed = house
    with ledger.work(HOUSE) as work:
        order_copies(work, keyed.system.id, "1AA", 1)
    with ledger.engine.begin() as connection:
        connection.exec_driver_sql("DROP TRIGGER events_no_update")
        connection.exec_driver_sql("UPDATE events SET summary = 'x' WHERE id = 1")
    with pytest.raises(BackupError, match="event 1 does not follow"):
        made_in(config, ledger, tmp_path / "out", secret)
    ledger.close()
    assert list((tmp_path / "out").iterdir()) == []


def test_a_backup_of_an_earlier_release_is_brought_up(
    config: Config, house: tuple[Ledger, Keyed], tmp_path: Path, secret: Secret
) -> None:
    ledger, _ = house
    ledger.close()
    command.downgrade(alembic_config(config.url), "0002")
    path = tmp_path / "old.backup"
    with path.open("wb") as out:
        backups._write(out, secret, database_file(config), config.instance / "files", old_manifest(ledger))
    there = moved(config, tmp_path / "new release")
    restored = restore_backup(there, path, secret, HOUSE)
    assert restored.report.brought_up is True
    open_ledger(there).close()


def test_a_backup_of_a_later_release_is_refused(
    config: Config, house: tuple[Ledger, Keyed], tmp_path: Path, secret: Secret
) -> None:
    ledger, _ = house
    with ledger.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(BackupError, match="which this release does not know"):
        made_in(config, ledger, tmp_path / "out", secret)
    ledger.close()


@pytest.mark.parametrize("names", [["../evil"], ["files/../../evil"], ["keys/bittern.key"], [DATABASE, DATABASE]])
def test_what_would_leave_its_folder_is_not_unpacked(
    config: Config, tmp_path: Path, secret: Secret, names: list[str]
) -> None:
    path = tmp_path / "made elsewhere.backup"
    with path.open("wb") as out:
        sealed = SealedWriter(out, secret)
        with tarfile.open(fileobj=sealed, mode="w|") as tar:  # type: ignore[call-overload]
            for name in names:
                info = tarfile.TarInfo(name)
                info.size = 4
                tar.addfile(info, io.BytesIO(b"evil"))
        sealed.close()
    with pytest.raises(BackupError):
        read_backup(config, path, secret)
    assert not list(tmp_path.rglob("evil"))


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EROFS, errno.EACCES])
def test_a_full_or_read_only_folder_is_told_and_earlier_copies_stand(
    config: Config,
    house: tuple[Ledger, Keyed],
    tmp_path: Path,
    secret: Secret,
    monkeypatch: pytest.MonkeyPatch,
    code: int,
) -> None:
    ledger, _ = house
    out = tmp_path / "out"
    earlier = make_backup(config, ledger, HOUSE, out, secret, "today.backup").path
    content = earlier.read_bytes()

    def full(self: SealedWriter, plain: bytes, *, is_last: bool) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(sealing.SealedWriter, "_seal", full)
    with pytest.raises(BackupError, match=os.strerror(code)) as refused:
        make_backup(config, ledger, HOUSE, out, secret, "today.backup")
    assert refused.value.field == "folder"
    assert [one.name for one in out.iterdir()] == ["today.backup"] and earlier.read_bytes() == content
    with ledger.sessions() as session:
        assert session.scalar(sa.select(sa.func.count()).select_from(Event).where(Event.kind == "backup made")) == 1
    ledger.close()


@contextmanager
def no_file_above(size: int) -> Iterator[None]:
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_a_limit_on_files_is_told_as_such(
    config: Config, house: tuple[Ledger, Keyed], tmp_path: Path, secret: Secret
) -> None:
    ledger, keyed = house
    with ledger.engine.connect() as connection:
        connection.exec_driver_sql("ROLLBACK")
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    size, told = database_file(config).stat().st_size, "too large for this disk or for a limit on files"
    for most in (size // 2, size + 1024):  # too little for the copy; enough for it, too little for the sealed file
        with no_file_above(most), pytest.raises(BackupError, match=told):
            made_in(config, ledger, tmp_path / "out", secret)
        assert list((tmp_path / "out").iterdir()) == [] and not list(config.instance.glob(".backup-*"))
    with ledger.work(HOUSE) as work, no_file_above(1024), pytest.raises(LedgerStopped, match=told):
        order_copies(work, keyed.system.id, "1AA", 1)
    ledger.close()


def test_a_file_where_the_folder_should_be_is_told(
    config: Config, house: tuple[Ledger, Keyed], tmp_path: Path, secret: Secret
) -> None:
    ledger, _ = house
    (tmp_path / "out").write_text("not a folder")
    with pytest.raises(BackupError, match="could not be written"):
        made_in(config, ledger, tmp_path / "out", secret)
    ledger.close()


def test_an_exchange_that_fails_half_way_is_undone(
    config: Config,
    house: tuple[Ledger, Keyed],
    tmp_path: Path,
    secret: Secret,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    ledger, _ = house
    path = made_in(config, ledger, tmp_path / "out", secret)
    ledger.close()
    before = rows(database_file(config)), files(config)
    rename = os.rename

    def fails(source: Path, target: Path) -> None:
        if target == database_file(config) and ".backup-" in str(source):
            raise OSError(errno.ENOSPC, "No space left on device")
        rename(source, target)

    monkeypatch.setattr(os, "rename", fails)
    with pytest.raises(BackupError, match="What stood there stands again"):
        restore_backup(config, path, secret, HOUSE)
    assert (rows(database_file(config)), files(config)) == before
    assert not list(config.instance.glob("replaced-*")) and not list(config.instance.glob(".backup-*"))


def test_a_restore_cut_off_at_any_step_is_told_of_or_whole(
    config: Config, house: tuple[Ledger, Keyed], tmp_path: Path, secret: Secret, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger, _ = house
    with ledger.sessions() as session, factories.saving_into(session):
        user = factories.UserFactory()
        seen = {"began_at": NOW, "seen_at": NOW, "proven_at": NOW}
        session.add(Login(token_hash=b"1" * 32, user_id=user.id, stamp=1, address="127.0.0.1", **seen))
        session.commit()
    path = made_in(config, ledger, tmp_path / "out", secret)
    ledger.close()
    rename, database, met = os.rename, database_file(config), []

    def looks_after(source: Path, target: Path) -> None:
        rename(source, target)
        if database.exists():
            reading = sqlite3.connect(database)
            alive = reading.execute("SELECT count(*) FROM logins WHERE ended_at IS NULL").fetchone()
            told = reading.execute("SELECT count(*) FROM events WHERE kind = 'backup restored'").fetchone()
            reading.close()
            met.append((alive, told))
        else:
            with pytest.raises(LedgerError, match="bittern restore again"):
                migrate(config)
            met.append("told of")

    monkeypatch.setattr(os, "rename", looks_after)
    restore_backup(config, path, secret, HOUSE)
    assert met == ["told of", "told of", "told of", ((0,), (1,))]


def test_no_empty_house_is_made_where_a_restore_was_cut_off(tmp_path: Path) -> None:
    config = Config(instance=tmp_path / "cut off")
    kept = config.instance / "replaced-2026-01-02T030405.000000Z"
    kept.mkdir(parents=True)
    with pytest.raises(LedgerError, match="bittern restore again"):
        migrate(config)
    assert list(config.instance.iterdir()) == [kept]


def test_daily_copies_rotate_and_touch_nothing_else(
    config: Config, house: tuple[Ledger, Keyed], tmp_path: Path, secret: Secret
) -> None:
    ledger, _ = house
    out = tmp_path / "daily"
    out.mkdir()
    for name in ("bittern-2026-11-01T000000Z.backup", "bittern-daily-2026-11-01.backup.txt", "letters.zip"):
        (out / name).write_text("not ours to remove")
    mine = f"bittern-daily-{its_id(config)[:8]}-"
    for day in range(4):
        done = daily_backup(config, ledger, HOUSE, out, secret, date(2026, 11, 20 + day), 2)
        assert done.made.path.name == f"{mine}2026-11-{20 + day}.backup"
    assert (done.removed, done.left_alone) == ((f"{mine}2026-11-21.backup",), ())
    again = daily_backup(config, ledger, HOUSE, out, secret, date(2026, 11, 23), 2)
    assert (again.made.path, again.removed) == (done.made.path, ())
    past = make_backup(config, ledger, HOUSE, out, secret, f"{mine}2025-12-31.backup").path
    late = daily_backup(config, ledger, HOUSE, out, secret, date(2026, 1, 1), 2)  # two stand of later days
    assert late.made.path.exists() and late.removed == () and len(list(out.iterdir())) == 7
    late = daily_backup(config, ledger, HOUSE, out, secret, date(2026, 1, 1), 1)
    assert late.made.path.exists() and late.removed == (past.name,)
    assert len(list(out.iterdir())) == 6
    for keep in (0, -1, 10**30):
        with pytest.raises(BackupError, match="1 to 1,000"):
            daily_backup(config, ledger, HOUSE, out, secret, date(2026, 11, 24), keep)
    with ledger.sessions() as session:
        last = last_backup(session)
        assert last is not None and (last.name, last.by) == (late.made.path.name, "the house")
        assert last.size == late.made.path.stat().st_size
    ledger.close()


@pytest.fixture
def other(tmp_path: Path) -> Iterator[tuple[Config, Ledger]]:
    """Another house, with a story of its own, on the same machine."""
    config = Config(instance=tmp_path / "other house")
    migrate(config)
    ledger = open_ledger(config)
    with ledger.work(HOUSE, NOW) as work, transaction(work.session):
        record(work, "opened", "house", "The other house opened")
    yield config, ledger
    ledger.close()


def test_two_houses_share_a_folder_and_neither_touches_the_other_s_copies(
    config: Config,
    house: tuple[Ledger, Keyed],
    other: tuple[Config, Ledger],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    house[0].close()
    other[1].close()
    out = tmp_path / "daily"
    monkeypatch.setattr("app.commands.backup.datetime", SimpleNamespace(now=lambda: datetime(2031, 3, 4, 12)))

    def daily(instance: Path) -> Result:
        words = ["backup", "daily", "--to", str(out), "--keep", "1", "--house-key"]
        return CliRunner().invoke(main, words, env={"BITTERN_INSTANCE": str(instance)})

    for _ in range(2):
        for one in (config, other[0]):
            answer = daily(one.instance)
            assert answer.exit_code == 0 and "Removed" not in answer.stdout, answer.output
    theirs = f"bittern-daily-{its_id(config)[:8]}-2031-03-04.backup"
    assert answer.stderr.startswith("Left alone") and theirs in answer.stderr
    copies = {path.name: path for path in out.iterdir()}
    assert len(copies) == 2
    for one in (config, other[0]):
        path = copies[f"bittern-daily-{its_id(one)[:8]}-2031-03-04.backup"]
        ledger = open_ledger(one)
        assert read_backup(one, path, house_secret(ledger.vault)).house == its_id(one)
        ledger.close()


@pytest.mark.parametrize("what", ["another house's", "no backup", "before ids"])
def test_a_foreign_file_under_our_name_is_not_replaced(
    config: Config,
    house: tuple[Ledger, Keyed],
    other: tuple[Config, Ledger],
    tmp_path: Path,
    secret: Secret,
    what: str,
) -> None:
    ledger, _ = house
    path = tmp_path / "out" / f"bittern-daily-{its_id(config)[:8]}-2026-11-23.backup"
    path.parent.mkdir()
    if what == "another house's":
        make_backup(*other, HOUSE, path.parent, secret, path.name)
    elif what == "before ids":
        old_copy(*other, path, secret)
    else:
        path.write_text("letters")
    before = path.read_bytes()
    with pytest.raises(BackupError, match=r"no backup of this house.*Move it away") as refused:
        daily_backup(config, ledger, HOUSE, path.parent, secret, date(2026, 11, 23), 1)
    assert refused.value.field == "folder"
    assert path.read_bytes() == before and list(path.parent.iterdir()) == [path]
    with ledger.sessions() as session:
        assert last_backup(session) is None
    ledger.close()


def test_a_copy_under_the_old_name_is_the_house_s_whose_first_event_it_holds(
    config: Config, house: tuple[Ledger, Keyed], other: tuple[Config, Ledger], tmp_path: Path, secret: Secret
) -> None:
    ledger, keyed = house
    with ledger.work(HOUSE) as work:
        order_copies(work, keyed.system.id, "1AA", 1)
    out = tmp_path / "daily"
    out.mkdir()
    for day in (19, 20, 21):
        old_copy(config, ledger, out / f"bittern-daily-2026-11-{day}.backup", secret)
    old_copy(*other, out / "bittern-daily-2026-11-18.backup", secret)
    old_copy(config, ledger, out / "bittern-daily-2026-11-17.backup", passphrase_secret("a tide out of season", 4))
    (out / "bittern-daily-2026-11-16.backup").write_text("letters")
    done = daily_backup(config, ledger, HOUSE, out, secret, date(2026, 11, 22), 2)
    assert done.removed == ("bittern-daily-2026-11-20.backup", "bittern-daily-2026-11-19.backup")
    assert done.left_alone == tuple(f"bittern-daily-2026-11-{day}.backup" for day in (16, 17, 18))
    assert all((out / name).exists() for name in (*done.left_alone, "bittern-daily-2026-11-21.backup"))
    assert not list(config.instance.glob(".backup-*"))
    ledger.close()


def test_a_restore_keeps_the_id_and_an_older_backup_comes_up_with_the_same(
    config: Config, house: tuple[Ledger, Keyed], tmp_path: Path, secret: Secret
) -> None:
    ledger, keyed = house
    with ledger.work(HOUSE) as work:
        order_copies(work, keyed.system.id, "1AA", 1)
    path = made_in(config, ledger, tmp_path / "out", secret)
    assert its_id(config)[:8] in path.name
    restored = restore_backup(moved(config, tmp_path / "one"), path, secret, HOUSE)
    assert restored.report.house == its_id(config) == its_id(Config(instance=tmp_path / "one"))
    ledger.close()
    command.downgrade(alembic_config(config.url), "0011")
    old = old_copy(config, ledger, tmp_path / "old.backup", secret)
    command.upgrade(alembic_config(config.url), "head")  # the house's own upgrade
    upgraded = its_id(config)
    assert upgraded != restored.report.house
    restored = restore_backup(moved(config, tmp_path / "two"), old, secret, HOUSE)
    assert restored.report.house == upgraded == its_id(Config(instance=tmp_path / "two"))


def test_a_backup_whose_manifest_names_another_house_is_refused(
    config: Config, house: tuple[Ledger, Keyed], tmp_path: Path, secret: Secret
) -> None:
    ledger, _ = house
    path = tmp_path / "x.backup"
    copied = tmp_path / "copied"
    backups._copy_database(database_file(config), copied)
    with path.open("wb") as out:
        backups._write(out, secret, copied, config.instance / "files", backups._manifest(ledger, "a" * 24, NOW))
    with pytest.raises(BackupError, match="house is not its database's"):
        read_backup(config, path, secret)
    ledger.close()


def test_what_a_killed_backup_left_is_cleared_by_the_next_and_what_is_being_written_is_not(
    config: Config, house: tuple[Ledger, Keyed], tmp_path: Path, secret: Secret
) -> None:
    ledger, _ = house
    out = tmp_path / "out"
    out.mkdir()
    killed = (
        "import os, sys; from datetime import date; from pathlib import Path; from app.config import Config\n"
        "from app.ledger.care import backups, sealing; from app.ledger.care.opening import open_ledger\n"
        "from app.ledger.tables.users import Role; from app.ledger.store.work import Actor\n"
        "backups.os.fsync = lambda handle: os.kill(os.getpid(), 9)\n"
        "config = Config(instance=Path(sys.argv[1])); ledger = open_ledger(config)\n"
        "secret = sealing.house_secret(ledger.vault)\n"
        "by = Actor(None, 'x', Role.OWNER)\n"
        "backups.daily_backup(config, ledger, by, Path(sys.argv[2]), secret, date(2026, 11, 23), 2)\n"
    )
    (out / ".bittern-daily-2026-11-22.backup.4711.part").write_text("of an earlier release")
    (out / ".hidden").write_text("not ours")
    with place.unfinished(out / "bittern-of-another-process.backup") as (in_use, _):
        ended = subprocess.run([sys.executable, "-c", killed, str(config.instance), str(out)], check=False)
        left = set(out.glob(".*.part"))
        assert (ended.returncode, len(left), in_use in left) == (-9, 2, True)
        done = daily_backup(config, ledger, HOUSE, out, secret, date(2026, 11, 23), 2)
        assert set(out.iterdir()) == {in_use, done.made.path, out / ".hidden"}
    assert set(out.iterdir()) == {done.made.path, out / ".hidden"}
    ledger.close()


def test_postgresql_is_sent_to_its_own_tools(config: Config, tmp_path: Path, secret: Secret) -> None:
    elsewhere = replace(config, database_url="postgresql+psycopg://house@localhost/bittern")
    with pytest.raises(BackupError, match="pg_dump"):
        database_file(elsewhere)
    with pytest.raises(BackupError, match="pg_dump"):
        restore_backup(elsewhere, tmp_path / "x", secret, HOUSE)


@pytest.mark.parametrize("phrase", ["", "short", "x" * 1001])
def test_a_passphrase_has_a_length_that_protects(phrase: str) -> None:
    with pytest.raises(BackupError, match="12 to 1,000"):
        passphrase_secret(phrase)


def test_an_accent_is_the_same_however_it_is_typed(tmp_path: Path) -> None:
    path = tmp_path / "x"
    with path.open("wb") as out:
        writer = SealedWriter(out, passphrase_secret("caf\u00e9 at the old quay", cost=4))
        writer.write(b"x" * CHUNK)
        writer.close()
    with path.open("rb") as source:
        assert SealedReader(source, passphrase_secret("cafe\u0301 at the old quay", cost=4)).read() == b"x" * CHUNK


def test_the_commands_make_check_and_restore(config: Config, house: tuple[Ledger, Keyed], tmp_path: Path) -> None:
    house[0].close()
    out = tmp_path / "out"

    def run(*words: str, typed: str = PHRASE + "\n", instance: Path = config.instance, **given: str) -> Result:
        environment = {"BITTERN_INSTANCE": str(instance), **given}
        return CliRunner().invoke(main, list(words), input=typed, env=environment)

    assert run("backup", "last").exit_code == 1
    answer = run("backup", "make", "--to", str(out), "--passphrase-stdin")
    assert answer.exit_code == 0, answer.output
    path = str(made := next(out.iterdir()))
    assert "read back whole" in answer.stdout and "2 files" in answer.stdout
    made_at = datetime.strptime(made.name[-25:], "%Y-%m-%dT%H%M%SZ.backup").replace(tzinfo=UTC).astimezone()
    assert run("backup", "last").stdout.startswith(f"{made_at:%Y-%m-%d %H:%M} {made.name}: ")
    assert "is whole" in run("backup", "check", path, "--passphrase-stdin").stdout
    wrong = run("backup", "check", path, "--passphrase-stdin", typed="high water at the quay\n")
    assert (wrong.exit_code, "does not open" in wrong.stderr) == (2, True)
    for refused in (
        run("restore", path),
        run("backup", "make", "--to", str(out)),
        run("backup", "make", "--to", str(out), "--house-key", "--passphrase-stdin"),
        run("backup", "make", "--to", str(out), "--passphrase-file", str(tmp_path / "none")),
        run("backup", "make", "--to", str(out), "--passphrase-stdin", typed="short\n"),
        run("backup", "make", "--to", str(out), "--house-key", instance=tmp_path / "nowhere"),
        run("restore", str(tmp_path / "none"), "--passphrase-stdin"),
        run("restore", path, "--passphrase-stdin", instance=tmp_path / "no key"),
        run("backup", "make", "--to", str(out), BITTERN_DATABASE_URL="postgresql+psycopg://h@localhost/b"),
    ):
        assert refused.exit_code == 2 and refused.stderr and "Traceback" not in refused.output, refused.output
    assert not (tmp_path / "nowhere").exists() and len(list(out.iterdir())) == 1
    answer = run("restore", path, "--passphrase-stdin", "--yes")
    assert answer.exit_code == 0, answer.output
    assert "is put back" in answer.stdout and "replaced-" in answer.stdout
    assert "All" in run("house", "verify").stdout


def test_the_daily_command_needs_nobody_with_the_house_key_or_a_file(
    config: Config, house: tuple[Ledger, Keyed], tmp_path: Path
) -> None:
    house[0].close()
    out = tmp_path / "daily"
    out.mkdir()
    yesterday = date.today() - timedelta(days=1)
    old = out / f"bittern-daily-{its_id(config)[:8]}-{yesterday.isoformat()}.backup"
    phrase = tmp_path / "phrase"
    phrase.write_text(PHRASE + "\n")

    def run(*words: str) -> Result:
        return CliRunner().invoke(main, list(words), env={"BITTERN_INSTANCE": str(config.instance)})

    assert run("backup", "make", "--to", str(out), "--house-key").exit_code == 0
    next(out.iterdir()).rename(old)
    phrase.chmod(0o644)
    refused = run("backup", "daily", "--to", str(out), "--passphrase-file", str(phrase))
    assert (refused.exit_code, "chmod 600" in refused.stderr, old.exists()) == (2, True, True)
    answer = run("backup", "daily", "--to", str(out), "--keep", "1", "--house-key")
    assert answer.exit_code == 0, answer.output
    assert f"Removed {old.name}" in answer.stdout and not old.exists()
    made = str(next(out.iterdir()))
    assert "is whole" in run("backup", "check", made).stdout
    refused = run("restore", made)
    assert (refused.exit_code, "--yes" in refused.stderr, list(config.instance.glob("replaced-*"))) == (2, True, [])
    assert run("restore", made, "--yes").exit_code == 0


def test_what_a_killed_process_left_is_cleared_away_and_what_is_in_use_is_not(config: Config) -> None:
    killed = (
        "import os, sys; from pathlib import Path; from app.config import Config\n"
        "from app.ledger.care.place import scratch\n"
        "with scratch(Config(instance=Path(sys.argv[1]))) as folder:\n"
        "    (folder / 'bittern.sqlite3').write_text('in clear')\n"
        "    os.kill(os.getpid(), 9)\n"
    )

    def opens() -> None:
        open_ledger(config).close()

    def backs_up() -> None:
        with scratch(config):
            pass

    with scratch(config) as in_use:
        for next_one in (opens, backs_up):
            ended = subprocess.run([sys.executable, "-c", killed, str(config.instance)], check=False)
            left = set(config.instance.glob(".backup-*"))
            assert (ended.returncode, len(left), in_use in left) == (-9, 2, True)
            next_one()
            assert list(config.instance.glob(".backup-*")) == [in_use]


def test_until_when_copies_from_before_can_be_read(config: Config, ledger: Ledger, tmp_path: Path) -> None:
    """A day's copy goes once three newer ones are made; what was made by hand stays until somebody removes it."""
    folder, secret = tmp_path / "backups", house_secret(ledger.vault)
    daily_backup(config, ledger, HOUSE, folder, secret, date(2026, 11, 25), 3)
    by_hand = make_backup(config, ledger, HOUSE, folder, secret, "by-hand.backup").path
    gone = make_backup(config, ledger, HOUSE, tmp_path, secret, "downloaded.backup").path
    gone.unlink()
    (config.instance / "replaced-2026-11-20").mkdir()
    now = datetime.now(UTC) + timedelta(seconds=5)
    with ledger.sessions() as session:
        found = earlier_copies(session, config, now)
        none = earlier_copies(session, config, now - timedelta(days=2))
    assert found.until == now.astimezone().date() + timedelta(days=3)
    assert found.lying == (str(by_hand), str(config.instance / "replaced-2026-11-20"))
    assert (found.elsewhere, found.exports) == (1, 0)
    assert none == EarlierCopies(None, (), 0, 0)
