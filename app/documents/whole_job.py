"""The keying of a whole job, its groups put together: for the owner's page and paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from app.ledger.quoting.snapshot import KeyingChoice


@dataclass(frozen=True, slots=True)
class JobPart:
    """One group of the whole job; `cents` None where its cost stands with the part before it."""

    group: str
    where: str
    ready_on: date | None
    cents: int | None


@dataclass(frozen=True, slots=True)
class WholeJob:
    """All groups together: where each is keyed, what all of it costs, when the last is ready (None: not known)."""

    parts: tuple[JobPart, ...]
    cents: int
    ready_on: date | None


def whole_job(keying: Sequence[KeyingChoice]) -> WholeJob:
    """The groups' chosen ways put together."""
    parts = tuple(
        JobPart(
            group=choice.group,
            where=choice.choice or "nowhere yet",
            ready_on=choice.ready_on,
            cents=next((way.total_cents for way in choice.ways if way.name == choice.way), None),
        )
        for choice in keying
    )
    days = [part.ready_on for part in parts if part.ready_on is not None]
    last = max(days) if days and len(days) == len(parts) else None
    return WholeJob(parts, sum(part.cents or 0 for part in parts), last)
