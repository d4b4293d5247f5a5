"""The jobs behind what a search found: of each hit the job that it waits for, with its promise."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.jobs.queries import OPEN, days_late
from app.ledger.reports.search import SearchResults
from app.ledger.tables import Cylinder, Job, JobLine, Key, Keyset, KeySystem, Stage

Hit = tuple[str, int | str]
_KEYS_CUSTOMER = "key's customer"
_AT_MOST = 3  # jobs of a hit: who has more is looked up by the job's own words
_READ = 120  # rows of one kind


@dataclass(frozen=True, slots=True)
class FoundJob:
    """A job as it is told on the phone. late_days: 0 where it is not late."""

    number: int
    title: str
    stage: Stage
    promised_on: date | None
    late_days: int


def jobs_found(session: Session, found: SearchResults, today: date) -> Mapping[Hit, Sequence[FoundJob]]:
    """The jobs of each hit: ("customer", id), ("door", id), ("keyset", id), ("key", id), ("part" or "job", number).

    Those that are open, the soonest promise first; of a key whose own is over its customer's; where none is open,
    the newest. One statement, however much was found.
    """
    customers = [one.id for one in found.customers]
    doors, keys = ([one.door_id for one in found.doors], [one.key_id for one in found.keys])
    keysets, parts = ([one.keyset_id for one in found.keysets], [one.part_number for one in found.parts])
    numbers = {one.number for one in found.jobs} | {one.job_number for one in (*found.quotes, *found.payments)}
    numbers |= {one.job_number for one in found.papers if one.job_number is not None}
    arms = [
        _arm("customer", Job.customer_id, customers, is_open=True),
        _arm("door", Cylinder.door_id, doors, by=Cylinder.job_id),
        _arm("keyset", Cylinder.keyset_id, keysets, by=Cylinder.job_id),
        _arm("key", Key.id, keys, by=Key.job_id),
        _arm(_KEYS_CUSTOMER, Key.id, keys, by=(Key.keyset, Keyset.system, KeySystem.customer_id), is_open=True),
        _arm("part", JobLine.part_number, parts, by=JobLine.job_id, is_open=True),
        _arm("job", Job.number, numbers),
    ]
    asked = [arm for arm in arms if arm is not None]
    by_hit: dict[Hit, dict[int, FoundJob]] = defaultdict(dict)
    for row in session.execute(sa.union_all(*asked)) if asked else ():
        hit = row.kind, row.part if row.kind == "part" else row.id
        told = FoundJob(row.number, row.title, row.stage, row.promised_on, days_late(row, today))
        by_hit[hit][row.number] = told
    nearest = {hit: _nearest(jobs.values()) for hit, jobs in by_hit.items()}
    for key_id in keys:
        own, others = nearest.get(("key", key_id), ()), nearest.get((_KEYS_CUSTOMER, key_id), ())
        nearest["key", key_id] = own if own and own[0].stage in OPEN else others or own
    return nearest


def _arm(
    kind: str, column: Any, wanted: Iterable[int | str], *, by: Any = None, is_open: bool = False
) -> sa.Select[*tuple[Any, ...]] | None:
    """The newest jobs of a kind of hit, met by `column`; by: what names the job there, or the way to its customer."""
    values = sorted(set(wanted))
    if not values:
        return None
    is_part = kind == "part"
    rows = sa.select(
        sa.literal(kind, sa.String).label("kind"),
        (sa.literal(0, sa.Integer) if is_part else column).label("id"),
        (column if is_part else sa.literal("", sa.String)).label("part"),
        Job.number,
        Job.title,
        Job.stage,
        Job.promised_on,
    ).where(column.in_(values))
    if isinstance(by, tuple):  # the customer's, by the way there
        for step in by[:-1]:
            rows = rows.join(step)
        rows = rows.join(Job, Job.customer_id == by[-1])
    elif by is not None:
        rows = rows.join(Job, Job.id == by)
    if is_open:
        rows = rows.where(Job.stage.in_(OPEN))
    newest = rows.distinct().order_by(Job.number.desc()).limit(_READ).subquery()
    return sa.select(newest)


def _nearest(jobs: Iterable[FoundJob]) -> Sequence[FoundJob]:
    told = sorted(jobs, key=lambda job: job.number, reverse=True)
    still_open = [job for job in told if job.stage in OPEN]
    if not still_open:
        return told[:1]
    return sorted(still_open, key=lambda job: (job.promised_on or date.max, job.number))[:_AT_MOST]
