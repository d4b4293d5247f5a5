"""Put a backup back: proven first, then exchanged, with what stood there kept beside it."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.config import Config
from app.ledger.care.contents import DATABASE, FILES, Report, unpack
from app.ledger.care.errors import BackupError
from app.ledger.care.place import as_one_file, database_file, files_folder, scratch, shut
from app.ledger.care.sealing import Secret
from app.ledger.store.engine import make_engine, transaction
from app.ledger.store.events import record
from app.ledger.store.trouble import reason_of
from app.ledger.store.vault import Vault
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Login

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
    """Put the backup at `path` in the house's place, and put that on record in what was put back.

    Opened in a folder of its own, proven, held against the sealing key that is present; then database and files
    change places with what is there, which is kept. Raises BackupError or VaultError: then nothing was replaced.
    """
    database = database_file(config)
    vault = house_vault(config)
    with scratch(config) as folder:
        report = unpack(path, secret, folder)
        if report.key_check != vault.check_value:
            where = "BITTERN_KEY" if config.key else f"the key file {config.vault_key_file}"
            raise BackupError(
                "key file",
                f"The key in {where} is not the one that this backup was sealed with: its bittings could not be "
                "read. Put the right key in its place from the copy that the owner keeps. Nothing was replaced.",
            )
        _put_on_record(folder / DATABASE, vault, actor, path, report)
        with shut(database):
            replaced = _exchange(config, database, folder)
    return Restored(report, replaced)


def _put_on_record(database: Path, vault: Vault, actor: Actor, path: Path, report: Report) -> None:
    """In the copy, before the exchange: whenever a restore is cut off, a house that stands tells of it."""
    engine = make_engine(f"sqlite:///{database}")
    try:
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
    finally:
        engine.dispose()


def _exchange(config: Config, database: Path, folder: Path) -> Path | None:
    files = files_folder(config)
    kept = config.instance / f"replaced-{datetime.now(UTC):%Y-%m-%dT%H%M%S.%fZ}"
    moves = [(one, kept / one.name) for one in _standing(database, files)]
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


def _standing(database: Path, files: Path) -> list[Path]:
    candidates = [database, *(database.with_name(database.name + ending) for ending in _LOGS), files]
    return [one for one in candidates if one.exists()]
