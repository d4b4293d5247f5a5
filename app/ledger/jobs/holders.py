"""Who holds which key of a job's keysets, and what each key opens: never a bitting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import joinedload

from app.ledger.jobs.papers import Schedule
from app.ledger.keysystems.copy_numbers import say_copies
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Job, Key, Keyset, KeyState

_IN_SHOP = {
    KeyState.ORDERED: "In the shop, not cut yet",
    KeyState.CUT: "In the shop, cut",
    KeyState.RETURNED: "In the shop, returned",
    KeyState.LOST: "Lost",
}


@dataclass(frozen=True, slots=True)
class HeldKeys:
    """Copies of one keyset in one hand. opens: opening numbers of this job, in the order sold."""

    symbol: str
    level: str
    purpose: str
    copies: tuple[int, ...]
    due_back: date | None
    opens: tuple[str, ...]

    @property
    def level_words(self) -> str:
        """The keyset's level and what it is for."""
        return f"{self.level}, {self.purpose}" if self.purpose else self.level

    @property
    def copy_words(self) -> str:
        """The copies in a few words, "copies 1-2, 4"."""
        return say_copies(self.copies)


@dataclass(frozen=True, slots=True)
class Holder:
    """A person with keys, or, where `is_person` is False, a place: the shop's drawer, the list of lost keys."""

    name: str
    is_person: bool
    keys: tuple[HeldKeys, ...]

    @property
    def count(self) -> int:
        """How many keys."""
        return sum(len(key.copies) for key in self.keys)


@dataclass(frozen=True, slots=True)
class KeyHolders:
    """A job's keys by holder: people by name, then the shop's. `schedule` is of the same day."""

    schedule: Schedule
    holders: tuple[Holder, ...]

    @property
    def count(self) -> int:
        """How many keys in all."""
        return sum(holder.count for holder in self.holders)


def holders_of(work: Work, job: Job, schedule: Schedule) -> KeyHolders:
    """Every key of the keysets that the job's cylinders and keys belong to, retired ones left out: one query."""
    of_cylinders = sa.select(Cylinder.keyset_id).where(Cylinder.job_id == job.id, Cylinder.keyset_id.is_not(None))
    of_keys = sa.select(Key.keyset_id).where(Key.job_id == job.id)
    keys = work.session.scalars(
        sa.select(Key)
        .join(Keyset)
        .where(sa.or_(Key.keyset_id.in_(of_cylinders), Key.keyset_id.in_(of_keys)), Key.state != KeyState.RETIRED)
        .options(joinedload(Key.keyset))
        .order_by(Keyset.system_id, Keyset.id, Key.copy_number)
    ).all()
    opens = _opened_by(schedule)
    by_holder: dict[tuple[bool, str], list[Key]] = {}
    for key in keys:
        place = _IN_SHOP.get(key.state, "")
        by_holder.setdefault((bool(place), place or key.holder or "Holder not named"), []).append(key)
    people_first = sorted(by_holder, key=lambda hand: (hand[0], hand[1].casefold()))
    holders = (Holder(hand[1], not hand[0], _by_keyset(by_holder[hand], opens)) for hand in people_first)
    return KeyHolders(schedule, tuple(holders))


def _opened_by(schedule: Schedule) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for row in schedule.rows:
        for symbol in row.operated_by:
            openings = found.setdefault(symbol, [])
            if row.opening_number and row.opening_number not in openings[-2:]:
                openings.append(row.opening_number)
    return found


def _by_keyset(keys: Sequence[Key], opens: dict[str, list[str]]) -> tuple[HeldKeys, ...]:
    groups: dict[tuple[int, date | None], list[Key]] = {}
    for key in keys:
        groups.setdefault((key.keyset_id, key.due_back), []).append(key)
    return tuple(
        HeldKeys(
            symbol=group[0].keyset.symbol,
            level=group[0].keyset.level.value,
            purpose=group[0].keyset.purpose,
            copies=tuple(key.copy_number for key in group),
            due_back=due_back,
            opens=tuple(dict.fromkeys(opens.get(group[0].keyset.symbol, ()))),
        )
        for (_, due_back), group in groups.items()
    )
