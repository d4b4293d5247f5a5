"""Open a backup in a folder and prove that it is whole; put it back, with what stood there kept beside it."""

import json
import os
import shutil
import sqlite3
import tarfile
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Any

import sqlalchemy as sa
from alembic import command
from sqlalchemy.orm import Session

from app.config import Config
from app.ledger.care.opening import alembic_config, migration_of, migrations
from app.ledger.care.place import as_one_file, database_file, files_folder, scratch, shut
from app.ledger.care.sealing import SealedReader, Secret
from app.ledger.store.engine import engine_on, transaction
from app.ledger.store.errors import BackupError, reason_of
from app.ledger.store.events import count_events, first_broken_link, house_id, record
from app.ledger.store.vault import Vault
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Login

MANIFEST, DATABASE, FILES = "manifest.json", "bittern.sqlite3", "files"
_MANIFEST_BYTES = 65_536


@dataclass(frozen=True, slots=True)
class Report:
    """What a backup holds, proven whole. `brought_up`: its tables were an earlier release's; `house`: whose it is."""

    made_at: datetime
    events: int
    files: int
    brought_up: bool
    key_check: str
    house: str


def read_backup(config: Config, path: Path, secret: Secret) -> Report:
    """Open the whole backup in a folder of its own and prove it; BackupError says what is wrong with it."""
    with scratch(config) as folder:
        return unpack(path, secret, folder)


def unpack(path: Path, secret: Secret, folder: Path) -> Report:
    """Open the backup into `folder`: DATABASE and FILES stand there afterwards, proven.

    The database's pages, its links between tables, its migration (an earlier one is brought up to this release's,
    in the copy) and its chain of events are checked. Raises BackupError.
    """
    try:
        with path.open("rb") as source:
            reader = SealedReader(source, secret)
            _extract(reader, folder)
            reader.finish()
    except OSError as error:
        raise BackupError("file", f"{path} could not be opened: {reason_of(error)}.") from error
    made_at, key_check, said = _read_manifest(folder / MANIFEST)
    brought_up = _prove(folder / DATABASE)
    events, house = _prove_story(folder / DATABASE, key_check)
    if said not in ("", house):  # a backup of before houses had ids says none
        raise BackupError("file", "This backup's house is not its database's; take another copy.")
    files = folder / FILES
    files.mkdir(exist_ok=True, mode=0o700)
    count = sum(one.is_file() for one in files.rglob("*"))
    return Report(made_at, events, count, brought_up, key_check, house)


def first_event_in(config: Config, path: Path, secret: Secret) -> bytes | None:
    """The hash of the first event in a backup; None where it does not open or has none. Proves nothing else of it."""
    with scratch(config) as folder:
        try:
            with path.open("rb") as source:
                _extract(SealedReader(source, secret), folder, last=DATABASE)
            with closing(sqlite3.connect(folder / DATABASE)) as connection:
                found = connection.execute("SELECT hash FROM events ORDER BY id LIMIT 1").fetchone()
        except (OSError, BackupError, sqlite3.Error):
            return None
    return bytes(found[0]) if found else None


def _extract(reader: SealedReader, folder: Path, last: str = "") -> None:
    stream: Any = reader  # a tar stream asks for nothing but `read`
    try:
        with tarfile.open(fileobj=stream, mode="r|") as tar:
            for member in tar:
                parts = PurePosixPath(member.name).parts
                is_ours = member.name in (MANIFEST, DATABASE) or (parts[:1] == (FILES,) and len(parts) > 1)
                content = tar.extractfile(member) if is_ours and member.isfile() and ".." not in parts else None
                if content is None:
                    raise BackupError("file", "This backup holds something that no house has; it was not opened.")
                target = folder.joinpath(*parts)
                target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
                with target.open("xb") as out:
                    shutil.copyfileobj(content, out)
                target.chmod(0o600)
                if member.name == last:
                    return
    except tarfile.TarError as error:
        raise BackupError("file", "This backup opens, but what is inside cannot be read.") from error


def _read_manifest(path: Path) -> tuple[datetime, str, str]:
    try:
        with path.open("rb") as file:
            said = json.loads(file.read(_MANIFEST_BYTES))
        made_at, key_check = datetime.fromisoformat(said["made_at"]), str(said["key_check"])
        is_known, house = said["format"] == 1, str(said.get("house", ""))
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise BackupError("file", "This backup does not say what it holds; it was not opened.") from error
    if not is_known:
        raise BackupError("file", "This backup was made by a newer release: install that one, then restore.")
    return made_at, key_check, house


def is_whole(database: Path) -> bool:
    """Whether the pages of a SQLite file, and the links between its tables, hold."""
    try:
        with closing(sqlite3.connect(database)) as connection:
            pages = connection.execute("PRAGMA integrity_check").fetchall()
            return pages == [("ok",)] and connection.execute("PRAGMA foreign_key_check").fetchone() is None
    except sqlite3.Error:
        return False


def _prove(database: Path) -> bool:
    """Pages and links hold, and the migration is this release's, or was brought up to it (then True)."""
    damaged = BackupError("file", "The database in this backup is damaged; take another copy. Nothing was replaced.")
    if not is_whole(database):
        raise damaged
    url = f"sqlite:///{database}"
    engine = sa.create_engine(url)
    with engine.connect() as connection:
        current = migration_of(connection)
    engine.dispose()
    if current == migrations()[0]:
        return False
    if current not in migrations():
        raise BackupError(
            "file",
            f"The database in this backup is at migration {current or 'none'}, which this release does not know. "
            "Install the release that made it, then restore.",
        )
    command.upgrade(alembic_config(url), "head")
    return True


def _prove_story(database: Path, key_check: str) -> tuple[int, str]:
    """The chain of events holds and the key check is the database's own; how many events, whose."""
    with engine_on(f"sqlite:///{database}") as engine:
        with Session(engine) as session:
            broken = first_broken_link(session)
            count = count_events(session)
            checks = session.execute(sa.text("SELECT check_value FROM vault_checks")).scalars().all()
            house = house_id(session)
        as_one_file(engine)
    if broken is not None:
        raise BackupError(
            "file", f"In this backup event {broken} does not follow from the one before it; take another copy."
        )
    if checks != [key_check]:
        raise BackupError("file", "This backup's key check is not its database's; take another copy.")
    return count, house


RESTORED = "backup restored"
_LOGS = ("-wal", "-shm", "-journal")


@dataclass(frozen=True, slots=True)
class Restored:
    """What was put back. `replaced`: the folder that keeps what stood there before; None where nothing did."""

    report: Report
    replaced: Path | None


def house_vault(config: Config) -> Vault:
    """The vault with the sealing key that is in its place now; VaultError where there is none."""
    return Vault(config.key) if config.key else Vault.from_file(config.vault_key_file)


def restore_backup(config: Config, path: Path, secret: Secret, actor: Actor) -> Restored:
    """Put the backup at `path` in the house's place, and record that in what was put back.

    Opened in a folder of its own, proven, held against the sealing key that is present; then database and files
    change places with what is there, which is kept. Raises BackupError or VaultError: then nothing was replaced.
    """
    database = database_file(config)
    vault = house_vault(config)
    with scratch(config) as folder:
        report = unpack(path, secret, folder)
        if report.key_check != vault.check_value:
            raise BackupError(
                "key file",
                f"The key in {config.vault_key_place} is not the one that this backup was sealed with: its bittings "
                "could not be read. Put the right key in its place from the copy that the owner keeps. Nothing was "
                "replaced.",
            )
        _put_on_record(folder / DATABASE, vault, actor, path, report)
        with shut(database):
            replaced = _exchange(config, database, folder)
    return Restored(report, replaced)


def _put_on_record(database: Path, vault: Vault, actor: Actor, path: Path, report: Report) -> None:
    """In the copy, before the exchange: whenever a restore is cut off, a house that stands tells of it."""
    with engine_on(f"sqlite:///{database}") as engine:
        with Session(engine) as session, transaction(session):
            work = Work(session, vault, actor, datetime.now(UTC))
            # A login that ended after the backup was made must not come to life again with it.
            session.execute(sa.update(Login).where(Login.ended_at.is_(None)).values(ended_at=work.now))
            record(
                work,
                RESTORED,
                "house",
                f"Backup {path.name} of {report.made_at.isoformat(timespec='minutes')} put back",
                name=path.name[:200],
            )
        as_one_file(engine)


def _exchange(config: Config, database: Path, folder: Path) -> Path | None:
    files = files_folder(config)
    kept = config.instance / f"replaced-{datetime.now(UTC):%Y-%m-%dT%H%M%S.%fZ}"
    standing = [database, *(database.with_name(database.name + ending) for ending in _LOGS), files]
    moves = [(one, kept / one.name) for one in standing if one.exists()]
    has_old = bool(moves)
    # The database last: where a restore is cut off before, there is none, and opening says so.
    moves += [(folder / FILES, files), (folder / DATABASE, database)]
    done: list[tuple[Path, Path]] = []
    try:
        if has_old:
            kept.mkdir(mode=0o700)
        database.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        os.chmod(folder / DATABASE, 0o600)
        for source, target in moves:
            os.rename(source, target)
            done.append((source, target))
    except OSError as error:
        for source, target in reversed(done):
            os.rename(target, source)
        if has_old and kept.exists():
            kept.rmdir()
        raise BackupError(
            "folder", f"The exchange failed: {reason_of(error)}. What stood there stands again."
        ) from error
    return kept if has_old else None
