"""The story of jobs and keys: how it goes out, and how it is taken on at the end of another house's own story."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problem
from app.ledger.keys.key_queries import KINDS as OF_KEYS
from app.ledger.moving.exported_events import TOLD, told_detail
from app.ledger.moving.merged_rows import Values
from app.ledger.moving.people import People
from app.ledger.moving.tables import MovedTable
from app.ledger.store.work import Work
from app.ledger.tables import Event

_AHEAD = timedelta(minutes=10)  # as much as two clocks may differ


def story_values(session: Session, moved: MovedTable, people: People) -> Iterator[Values]:
    """The events that are moved, oldest first, numbered from 1: an event's own number belongs to its house."""
    of_a_job = sa.and_(Event.job_id.is_not(None), Event.kind.in_(TOLD))
    rows = sa.select(*moved.columns).where(sa.or_(of_a_job, Event.kind.in_(OF_KEYS))).order_by(Event.id)
    for number, row in enumerate(session.execute(rows.execution_options(yield_per=2000)).mappings(), start=1):
        yield {
            **people.with_names(dict(row), moved.people),
            "id": number,
            "detail": told_detail(row["kind"], row["detail"]),
        }


def plan_story(
    work: Work, moved: MovedTable, people: People, read: Sequence[tuple[int, Values]]
) -> tuple[list[tuple[int, Values]], int, int, list[Problem]]:
    """What of a story would be taken on, how many events stand here already, how many only here, what is wrong.

    The story of one job, or of one key system's keys, may go on from what is here; it never says otherwise.
    """
    here: dict[Any, list[Values]] = defaultdict(list)
    for values in story_values(work.session, moved, people):
        here[_about(values)].append(values)
    further: list[tuple[int, Values]] = []
    problems: list[Problem] = []
    seen: dict[Any, int] = defaultdict(int)
    unchanged = 0
    for number, values in sorted(read, key=lambda one: int(one[1]["id"])):
        about = _about(values)
        place = seen[about]
        seen[about] += 1
        if values["at"] > work.now + _AHEAD:
            problems.append(moved.problem(number, "at", "This moment has not come yet by the clock of this machine."))
        elif place >= len(here[about]):
            further.append((number, values))
        elif different := _differs(values, here[about][place]):
            said = str(here[about][place][different])[:60]
            told = f"On record here this place of the story says {said!r}. A story is never changed; leave it out, or"
            problems.append(moved.problem(number, different, f"{told} write it as it was exported."))
        else:
            unchanged += 1
    unnamed = sum(max(len(told) - seen[about], 0) for about, told in here.items())
    return further, unchanged, unnamed, problems


def _about(values: Values) -> Any:
    return values.get("job_id") or values["subject"]


def _differs(values: Values, here: Values) -> str | None:
    return next((name for name, value in values.items() if name != "id" and value != here[name]), None)
