"""Which of several dated rows holds now, which are to come, and which have been."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Hashable, Iterable, Mapping
from datetime import date
from typing import Any, TypeVar

NOW, COMING, PAST = "now", "coming", "past"
T = TypeVar("T")


def place_in_time(rows: Iterable[T], today: date, same: Callable[[T], Hashable]) -> list[tuple[T, str]]:
    """Each row with "now", "coming" or "past", in the order given.

    Of the rows that `same` calls one thing, the latest that has begun and whose `valid_until` (where rows have
    one) is not over holds now, as a quote takes it: after a price with an end, the one before it holds again.
    """
    listed = list(rows)
    latest: dict[Hashable, Any] = {}
    for row in listed:
        starts: date = row.valid_from  # type: ignore[attr-defined]  # every dated row has it
        until: date | None = getattr(row, "valid_until", None)
        holds = starts <= today and (until is None or until >= today)
        if holds and (same(row) not in latest or starts > latest[same(row)].valid_from):
            latest[same(row)] = row

    def state(row: Any) -> str:
        if row.valid_from > today:
            return COMING
        return NOW if latest.get(same(row)) is row else PAST

    return [(row, state(row)) for row in listed]


def terms_mark(rows: Iterable[Any]) -> str:
    """Tells whether any of these dated terms was changed since a page was made; 64 hex digits."""
    said = sorted((row.valid_from.isoformat(), json.dumps(row.terms, sort_keys=True)) for row in rows)
    return hashlib.sha256(repr(said).encode()).hexdigest()


def changed_terms(before: Mapping[str, Any] | None, after: Mapping[str, Any]) -> dict[str, list[Any]]:
    """Name → [before, after] of every figure that differs, for the event; all of `after` where there was nothing."""
    old = before or {}
    return {name: [old.get(name), after.get(name)] for name in after if old.get(name) != after[name]}
