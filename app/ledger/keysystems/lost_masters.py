"""Keysets of which a key is lost, told before and after a cylinder is keyed so that the lost key would open it.

A door is never keyed to a lost keyset itself (out_of_use.py refuses it); under a lost master it may be, since the
owner may have the rekey planned: so it is said, on the pages and in an event, and not refused. Opens no bitting.
"""

from __future__ import annotations

__all__ = [
    "KEYED_UNDER_LOST",
    "LostKeyset",
    "lost_for_job",
    "lost_masters",
    "record_lost_above",
    "record_lost_for_job",
]

from collections.abc import Collection
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.doors.models import Cylinder
from app.ledger.events.actions import record
from app.ledger.keysystems.copy_numbers import say_copies
from app.ledger.keysystems.exposure import operated_by
from app.ledger.keysystems.models import Key, Keyset, KeyState, KeySystem, Level
from app.ledger.keysystems.queries import operators_of
from app.ledger.work import Work

KEYED_UNDER_LOST = "keyed under a lost key"
_UNDER_NOTHING = (Level.CHANGE, Level.SINGLE)


@dataclass(frozen=True, slots=True)
class LostKeyset:
    """A keyset with its lost copies. `cylinders`: how many of a job's its key opens; 0 where none was asked about."""

    keyset: Keyset
    system_name: str
    copies: tuple[int, ...]
    cylinders: int = 0

    @property
    def said(self) -> str:
        """Which keys are lost.

        >>> LostKeyset(Keyset(symbol="AA", level=Level.MASTER), "The Flats", (2,)).said
        'A key of AA of The Flats is lost (copy 2)'
        """
        what = "A key" if len(self.copies) == 1 else f"{len(self.copies)} keys"
        verb = "is" if len(self.copies) == 1 else "are"
        return f"{what} of {self.keyset.symbol} of {self.system_name} {verb} lost ({say_copies(self.copies)})"

    @property
    def before(self) -> str:
        """What to think of before anything more is keyed there."""
        if self.keyset.level is Level.CONTROL:
            return f"{self.said}: whoever has it could take out every core that is keyed in this system."
        return (
            f"{self.said}: whoever has it would open all that is newly keyed under {self.keyset.symbol}. Plan for "
            "the loss first, or key under another master or single (SKD)."
        )

    @property
    def of_job(self) -> str:
        """What is so with the job's cylinders."""
        deed = "take out" if self.keyset.level is Level.CONTROL else "open"
        pieces = "cylinder" if self.cylinders == 1 else "cylinders"
        return f"{self.said}: whoever has it would {deed} {self.cylinders} {pieces} of this job."


def lost_masters(session: Session, system_ids: Collection[int]) -> tuple[LostKeyset, ...]:
    """Masters, grands and control keys of these systems of which a key is lost: one query, by system and symbol."""
    return _lost(session, Keyset.system_id.in_(system_ids), Keyset.level.not_in(_UNDER_NOTHING))


def lost_for_job(session: Session, job_id: int) -> tuple[LostKeyset, ...]:
    """Keysets with a lost key that opens cylinders of the job: two queries, and two more for each that is lost."""
    keyed = dict(
        session.execute(
            sa.select(Cylinder.id, Keyset.system_id)
            .join(Keyset, Keyset.id == Cylinder.keyset_id)
            .where(Cylinder.job_id == job_id)
        ).all()
    )
    found = []
    for lost in _lost(session, Keyset.system_id.in_(set(keyed.values()))) if keyed else ():
        count = sum(one.cylinder_id in keyed for one in operated_by(session, lost.keyset))
        if count:
            found.append(LostKeyset(lost.keyset, lost.system_name, lost.copies, count))
    return tuple(found)


def record_lost_for_job(work: Work, job_id: int) -> None:
    """An event of the job and the system for each lost key that opens its cylinders; in the caller's transaction."""
    for lost in lost_for_job(work.session, job_id):
        record(work, KEYED_UNDER_LOST, f"key system {lost.keyset.system_id}", lost.of_job, job_id=job_id)


def record_lost_above(work: Work, system: KeySystem, parents: Collection[str]) -> None:
    """An event of the system for each lost key that will open what is added under `parents` (symbols)."""
    by_id = {keyset.id: keyset for keyset in system.keysets}
    masters = [keyset for keyset in system.keysets if keyset.symbol in parents]
    above = {one.id for master in masters for one in operators_of(master, is_nmk=False, by_id=by_id)}
    for lost in lost_masters(work.session, [system.id]):
        if lost.keyset.id in above or lost.keyset.level is Level.CONTROL:
            record(work, KEYED_UNDER_LOST, f"key system {system.id}", f"Keysets added. {lost.before}")


def _lost(session: Session, *conditions: sa.ColumnElement[bool]) -> tuple[LostKeyset, ...]:
    rows = session.execute(
        sa.select(Keyset, KeySystem.name, Key.copy_number)
        .join(Key, Key.keyset_id == Keyset.id)
        .join(KeySystem, KeySystem.id == Keyset.system_id)
        .where(Key.state == KeyState.LOST, *conditions)
        .order_by(Keyset.system_id, Keyset.id, Key.copy_number)
    )
    copies: dict[Keyset, list[int]] = {}
    names: dict[Keyset, str] = {}
    for keyset, name, copy in rows:
        names[keyset] = name
        copies.setdefault(keyset, []).append(copy)
    return tuple(LostKeyset(keyset, names[keyset], tuple(numbers)) for keyset, numbers in copies.items())
