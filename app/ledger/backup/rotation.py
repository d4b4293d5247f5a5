"""Daily copies: one a day, the newest so many are kept; and when the last good backup was made."""

from __future__ import annotations

__all__ = ["LastBackup", "daily_backup", "last_backup", "recent_backups"]

import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.config import Config
from app.ledger.backup.errors import BackupError
from app.ledger.backup.making import MADE, Made, make_backup
from app.ledger.backup.sealing import Secret
from app.ledger.events.models import Event
from app.ledger.opening import Ledger
from app.ledger.work import Actor

_DAILY = re.compile(r"bittern-daily-[0-9]{4}-[0-9]{2}-[0-9]{2}\.backup")


def daily_backup(
    config: Config, ledger: Ledger, actor: Actor, folder: Path, secret: Secret, today: date, keep: int
) -> tuple[Made, tuple[str, ...]]:
    """Today's backup, in the place of an earlier one of today; the names of the old ones that were then removed.

    Only daily copies are counted and removed, and only after the new one was read back. Those dated after today,
    which a wrong clock left, are neither: they would push out the copies of days that have been.
    """
    if not 1 <= keep <= 1000:
        raise BackupError("keep", "Keep 1 to 1,000 daily copies.")
    made = make_backup(config, ledger, actor, folder, secret, f"bittern-daily-{today.isoformat()}.backup")
    names = sorted((one.name for one in folder.iterdir() if _DAILY.fullmatch(one.name)), reverse=True)
    old = [name for name in names if name <= made.path.name][keep:]
    for name in old:
        (folder / name).unlink(missing_ok=True)
    return made, tuple(old)


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
