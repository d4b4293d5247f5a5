"""Daily copies: one a day, the newest so many are kept; and when the last good backup was made."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.config import Config
from app.ledger.care.contents import first_event_in
from app.ledger.care.errors import BackupError
from app.ledger.care.making import MADE, Made, make_backup, short_id
from app.ledger.care.opening import Ledger
from app.ledger.care.sealing import Secret, house_of
from app.ledger.store.event_queries import first_hash, house_id
from app.ledger.store.work import Actor
from app.ledger.tables import Event

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
    made = make_backup(config, ledger, actor, folder, secret, name)
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
