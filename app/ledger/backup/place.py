"""Where a house keeps what a backup holds: its SQLite file and its folder of files."""

from __future__ import annotations

__all__ = ["database_file", "files_folder", "scratch", "shut"]

import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import sqlalchemy as sa

from app.config import Config
from app.ledger.backup.errors import BackupError


def database_file(config: Config) -> Path:
    """The house's SQLite file; BackupError where its records are in PostgreSQL."""
    url = sa.make_url(config.url)
    if url.get_backend_name() != "sqlite":
        raise BackupError(
            "database",
            "The records of this house are in PostgreSQL, which has tools of its own: back them up with pg_dump "
            "and put them back with pg_restore, and copy the files folder and the key file beside. "
            "Nothing was done.",
        )
    if not url.database or url.database == ":memory:":
        raise BackupError("database", "This house has no database file.")
    return Path(url.database)


def files_folder(config: Config) -> Path:
    """The folder of the house's files: photos and papers that hang on jobs."""
    return config.instance / "files"


@contextmanager
def scratch(config: Config) -> Iterator[Path]:
    """A folder for this block alone, on the house's own disk, readable by nobody else; removed at its end."""
    try:
        config.instance.mkdir(parents=True, exist_ok=True, mode=0o700)
        folder = Path(tempfile.mkdtemp(prefix=".backup-", dir=config.instance))  # mode 0700
    except OSError as error:
        raise BackupError("folder", f"{config.instance} cannot be written: {error.strerror}.") from error
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def shut(database: Path) -> Iterator[None]:
    """Hold a house's database so that nobody has it open while it is exchanged; BackupError where one has.

    In the block it is one file, without a log beside it.
    """
    if not database.exists():
        yield
        return
    connection = sqlite3.connect(database, timeout=2, isolation_level=None)
    try:
        try:
            # Leaving WAL needs the file to oneself, and takes what its log holds into the file that is kept.
            connection.execute("PRAGMA journal_mode=DELETE")
            connection.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            if "locked" in str(error) or "busy" in str(error):
                raise BackupError(
                    "database", "The house is open. Stop bittern house serve first. Nothing was replaced."
                ) from error
        except sqlite3.DatabaseError:
            pass  # what stands there is damaged, which may be why somebody restores: it is kept as it is
        yield
    finally:
        connection.close()
