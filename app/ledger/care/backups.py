"""Make a backup while the house is open: the database as of one moment, the files, sealed, read back, then named.

Daily copies too: one a day, the newest so many are kept; and when the last good backup was made.
"""

import io
import json
import os
import re
import sqlite3
import tarfile
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, BinaryIO

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.config import Config
from app.ledger.care.opening import Ledger
from app.ledger.care.place import database_file, files_folder, scratch, unfinished
from app.ledger.care.restoring import DATABASE, FILES, MANIFEST, Report, first_event_in, read_backup
from app.ledger.care.sealing import SealedWriter, Secret, house_of
from app.ledger.store.engine import transaction
from app.ledger.store.errors import BackupError, reason_of
from app.ledger.store.events import first_hash, house_id, record
from app.ledger.store.private_files import sync_folder
from app.ledger.store.work import Actor
from app.ledger.tables import Event

MADE = "backup made"
FORMAT = 1


@dataclass(frozen=True, slots=True)
class Made:
    """A backup that was written and read back."""

    path: Path
    size: int  # bytes
    report: Report


def make_backup(
    config: Config,
    ledger: Ledger,
    actor: Actor,
    folder: Path,
    secret: Secret,
    name: str = "",
    now: datetime | None = None,
    keep: int = 0,
) -> Made:
    """Write one sealed backup into `folder` (made when there is none) and record that.

    Others may write meanwhile: the copy holds the database as of one moment. The file gets its name only when it
    was read back whole; one of this house and the same name is replaced then, and not before. keep: of a daily copy,
    how many are kept. Raises BackupError with what is wrong; then there is no new file.
    """
    source = database_file(config)
    now = now or datetime.now(UTC)
    with ledger.sessions() as session:
        house = house_id(session)
    path = folder / (name or f"bittern-{short_id(house)}-{now:%Y-%m-%dT%H%M%SZ}.backup")
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        if path.exists() and house_of(path) != house:
            raise BackupError(
                "folder",
                f"{path} is no backup of this house, so it was left as it is and none was made. Move it away, or "
                "choose another folder.",
            )
        with unfinished(path) as (part, handle):
            with scratch(config) as beside:
                copied = beside / DATABASE
                _copy_database(source, copied)
                with os.fdopen(handle, "wb", closefd=False) as out:
                    _write(out, secret, copied, files_folder(config), _manifest(ledger, house, now), house)
                    out.flush()
                    os.fsync(out.fileno())
            report = read_backup(config, part, secret)
            os.replace(part, path)
            sync_folder(folder)
        size = path.stat().st_size
    except OSError as error:
        raise BackupError(
            "folder",
            f"The backup could not be written to {folder}: {reason_of(error)}. Make room or choose another "
            "folder; earlier backups stand as they were.",
        ) from error
    with ledger.work(actor, now) as work, transaction(work.session):
        record(
            work,
            MADE,
            "house",
            f"Backup {path.name} made and read back: {size:,} bytes, {report.files:,} files",
            name=path.name,
            bytes=size,
            folder=str(folder.absolute()),
            keep=keep,
        )
    return Made(path, size, report)


def short_id(house: str) -> str:
    """As much of a house's id as a file's name bears; the whole stands in the file."""
    return house[:8]


def _copy_database(source: Path, copied: Path) -> None:
    """One consistent copy through SQLite's own backup; in WAL mode no writer waits for it."""
    if not source.exists():
        raise BackupError("database", f"There is no database at {source}.")
    try:
        with (
            closing(sqlite3.connect(source, timeout=30)) as live,
            closing(sqlite3.connect(copied, isolation_level=None)) as copy,
        ):
            live.backup(copy)  # all pages in one read transaction
            # So that the copy is one file, without a log beside it; the house's engine turns WAL on again.
            copy.execute("PRAGMA journal_mode=DELETE")
    except sqlite3.Error as error:
        said = str(error)
        if getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_IOERR_WRITE:
            said = "the disk refuses it, or the file is too large for this disk or for a limit on files (ulimit -f)"
        raise BackupError("database", f"The database could not be copied: {said}. No backup was made.") from error


def _manifest(ledger: Ledger, house: str, now: datetime) -> bytes:
    words = {"format": FORMAT, "house": house, "made_at": now.isoformat(), "key_check": ledger.vault.check_value}
    return json.dumps(words, sort_keys=True).encode()


def _write(out: BinaryIO, secret: Secret, database: Path, files: Path, manifest: bytes, house: str = "") -> None:
    sealed = SealedWriter(out, secret, house)
    stream: Any = sealed  # a tar stream asks for nothing but `write`
    with tarfile.open(fileobj=stream, mode="w|", format=tarfile.PAX_FORMAT) as tar:
        head = tarfile.TarInfo(MANIFEST)
        head.size = len(manifest)
        tar.addfile(head, io.BytesIO(manifest))
        _add(tar, database, DATABASE)
        # After the database: a file is written before the row that names it, so no row misses its file.
        for path in sorted(files.rglob("*")) if files.is_dir() else ():
            if path.is_file() and not path.is_symlink():
                _add(tar, path, f"{FILES}/{path.relative_to(files).as_posix()}")
    sealed.close()


def _add(tar: tarfile.TarFile, path: Path, name: str) -> None:
    info = tarfile.TarInfo(name)
    with path.open("rb") as file:
        about = os.fstat(file.fileno())
        info.size, info.mtime, info.mode = about.st_size, about.st_mtime, 0o600
        tar.addfile(info, file)


_DAILY = re.compile(r"bittern-daily-(?:[a-p]{8}-)?([0-9]{4}-[0-9]{2}-[0-9]{2})\.backup")


@dataclass(frozen=True, slots=True)
class Daily:
    """Today's copy, and the names of this house's older ones that were then removed.

    `left_alone`: what is named like a daily copy but is none of this house, or does not open to show that it is.
    """

    made: Made
    removed: tuple[str, ...]
    left_alone: tuple[str, ...]


def daily_backup(
    config: Config, ledger: Ledger, actor: Actor, folder: Path, secret: Secret, today: date, keep: int
) -> Daily:
    """Today's backup, in the place of an earlier one of today, and no more than `keep` of them.

    Only this house's daily copies are counted and removed, and only after the new one was read back. Those dated
    after today, which a wrong clock left, are neither: they would push out the copies of days that have been. A copy
    without a house's id, made by an earlier release, is this house's if its story begins with the same event.
    """
    if not 1 <= keep <= 1000:
        raise BackupError("keep", "Keep 1 to 1,000 daily copies.")
    with ledger.sessions() as session:
        house, first = house_id(session), first_hash(session)
    name = f"bittern-daily-{short_id(house)}-{today.isoformat()}.backup"
    made = make_backup(config, ledger, actor, folder, secret, name, keep=keep)
    ours: list[tuple[str, str]] = []
    others: list[str] = []
    for one in sorted(folder.iterdir()):
        named = _DAILY.fullmatch(one.name)
        if named is None or named[1] > today.isoformat() or one == made.path:
            continue
        its_house = house_of(one)
        if its_house == house or (its_house == "" and first and first_event_in(config, one, secret) == first):
            ours.append((named[1], one.name))
        else:
            others.append(one.name)
    old = [name for _, name in sorted(ours, reverse=True)[keep - 1 :]]  # today's is the first of those that are kept
    for name in old:
        (folder / name).unlink(missing_ok=True)
    return Daily(made, tuple(old), tuple(others))


@dataclass(frozen=True, slots=True)
class LastBackup:
    """The newest backup that was written and read back."""

    at: datetime
    name: str
    size: int  # bytes
    by: str

    def is_old(self, now: datetime) -> bool:
        """Whether more than a day has passed since: time for another."""
        return now - self.at > timedelta(days=1)


def last_backup(session: Session) -> LastBackup | None:
    """When the last good backup was made; None when there is none on record."""
    return next(iter(recent_backups(session, 1)), None)


def recent_backups(session: Session, limit: int = 10) -> tuple[LastBackup, ...]:
    """The newest good backups on record, the newest first."""
    events = session.scalars(sa.select(Event).where(Event.kind == MADE).order_by(Event.id.desc()).limit(limit))
    return tuple(
        LastBackup(event.at, event.detail["name"], event.detail["bytes"], event.actor_name) for event in events
    )


_USUAL_KEEP = 14


@dataclass(frozen=True, slots=True)
class EarlierCopies:
    """Where words from before a moment can still be read, outside of the database.

    until: the day on which the last daily copy from before is removed, if one is made every day; None without any.
    lying: files from before, by where they lie, that stay until somebody removes them. elsewhere: backups from before
    that are not where they were put, such as downloads; exports: how often the house's tables were taken out.
    """

    until: date | None
    lying: tuple[str, ...]
    elsewhere: int
    exports: int


def earlier_copies(session: Session, config: Config, before: datetime) -> EarlierCopies:
    """What is known of copies from before: by the record of backups, and by what lies in the folders it names."""
    house = house_id(session)
    made = session.scalars(sa.select(Event).where(Event.kind == MADE).order_by(Event.id)).all()
    folders = sorted({Path(event.detail["folder"]) for event in made if event.detail.get("folder")})
    found = [path for folder in folders if folder.is_dir() for path in sorted(folder.glob("*.backup"))]
    names = {path.name for path in found}
    daily = [event for event in made if _DAILY.fullmatch(event.detail["name"])]
    keep = next((event.detail["keep"] for event in reversed(daily) if event.detail.get("keep")), _USUAL_KEEP)
    has_earlier = any(event.at <= before for event in daily)
    old = [path for path in found if not _DAILY.fullmatch(path.name)]
    old = [path for path in old if _changed(path) <= before and house_of(path) == house]
    beside = [*config.instance.glob("replaced-*"), *config.instance.glob("before-upgrade-*.sqlite3")]
    lying = [*old, *(path for path in sorted(beside) if _changed(path) <= before)]
    gone = [one for one in made if one.at <= before and one not in daily and one.detail["name"] not in names]
    exports = sa.select(sa.func.count(Event.id)).where(Event.kind == "house taken out", Event.at <= before)
    return EarlierCopies(
        before.astimezone().date() + timedelta(days=keep) if has_earlier else None,
        tuple(map(str, lying)),
        len(gone),
        session.scalar(exports) or 0,
    )


def _changed(path: Path) -> datetime:
    return datetime.fromtimestamp(path.stat().st_mtime, UTC)
