"""Where a house keeps what a backup holds: its SQLite file and its folder of files."""

import fcntl
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import sqlalchemy as sa

from app.config import Config
from app.ledger.store.errors import BackupError

_SCRATCH = ".backup-scratch-"


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


def require_shut(config: Config) -> None:
    """Refuse a house in a file that somebody has open."""
    if sa.make_url(config.url).get_backend_name() == "sqlite" and database_file(config).exists():
        with shut(database_file(config)):
            pass


def files_folder(config: Config) -> Path:
    """The folder of the house's files: photos and papers that hang on jobs."""
    return config.instance / "files"


@contextmanager
def scratch(config: Config) -> Iterator[Path]:
    """A folder for this block alone, on the house's own disk, readable by nobody else; removed at its end.

    Those that a killed process left are removed first. Where there was no house, none of its folders stays.
    """
    new = [one for one in (config.instance, *config.instance.parents) if not one.exists()]
    try:
        config.instance.mkdir(parents=True, exist_ok=True, mode=0o700)
        with _one_at_a_time(config.instance):
            _remove_abandoned(config.instance.glob(f"{_SCRATCH}*"))
            folder = Path(tempfile.mkdtemp(prefix=_SCRATCH, dir=config.instance))  # mode 0700
            held = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
            _lock(held)
    except OSError as error:
        raise BackupError("folder", f"{config.instance} cannot be written: {error.strerror}.") from error
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        os.close(held)
        with suppress(OSError):  # something was put there, such as a house
            for one in new:
                one.rmdir()


@contextmanager
def unfinished(path: Path) -> Iterator[tuple[Path, int]]:
    """A new file beside `path` and its open handle, until it gets that name: removed at the end of the block.

    Those that a killed backup left in that folder are removed first. This one is locked, so that nobody takes it for
    such a one; the lock ends with the process.
    """
    _remove_abandoned(path.parent.glob(".*.backup.*.part"))
    while True:
        handle, name = tempfile.mkstemp(".part", f".{path.name}.", path.parent)  # mode 0600
        with suppress(OSError):  # a disk without locks: then nobody clears there either
            fcntl.flock(handle, fcntl.LOCK_EX)
        if os.fstat(handle).st_nlink:
            break
        os.close(handle)  # another backup cleared it away between its making and its lock
    part = Path(name)
    try:
        yield part, handle
    finally:
        part.unlink(missing_ok=True)
        os.close(handle)


def clear_scratch(config: Config) -> None:
    """Remove the scratch folders of processes that were killed: an unsealed copy of the records may lie in them.

    One that a running process works in is let be: that process holds a lock on it, which ends with the process.
    """
    with suppress(OSError):  # no folder, no leave, no locks on this disk: the house opens all the same
        if any(config.instance.glob(f"{_SCRATCH}*")):
            with _one_at_a_time(config.instance):
                _remove_abandoned(config.instance.glob(f"{_SCRATCH}*"))


@contextmanager
def _one_at_a_time(instance: Path) -> Iterator[None]:
    """So that nobody clears a folder away between its making and its lock."""
    handle = os.open(instance, os.O_RDONLY | os.O_DIRECTORY)
    try:
        with suppress(OSError):  # a disk without locks: then _lock takes none either, and nothing is cleared
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _remove_abandoned(paths: Iterable[Path]) -> None:
    """Remove the files and folders that no running process holds a lock on."""
    for path in paths:
        with suppress(OSError):
            handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
            try:
                if _lock(handle):
                    remove = shutil.rmtree if path.is_dir() else os.unlink
                    remove(path)
            finally:
                os.close(handle)


def _lock(handle: int) -> bool:
    """Take the lock of an open folder, which ends with its process; False where another has it or there is none."""
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def as_one_file(engine: sa.Engine) -> None:
    """Take what SQLite's log holds into the database file, so that this file alone can be moved."""
    with engine.connect() as connection:
        connection.exec_driver_sql("ROLLBACK")
        connection.exec_driver_sql("PRAGMA journal_mode=DELETE")


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
