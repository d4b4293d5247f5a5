"""Use cases: the bench's minutes for a job go on record; the owner takes a learned time into the book."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal

import sqlalchemy as sa

from app.errors import BitternError, Problem, Problems
from app.ledger.bench.time_queries import TaskKey, job_tasks, learned_times, recorded_of, task_words
from app.ledger.catalog.prices import set_bench_terms
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound, Stale
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import BenchTermsRow, BenchTimeRow, Job, Role
from app.pricing import Adopt, BenchTerms, adopt

MOST_MINUTES = 100_000


def record_times(work: Work, job_number: int, minutes: Mapping[TaskKey, Decimal]) -> int:
    """Put the minutes of a job's tasks on record, whole pieces as the job counts them; gives how many were.

    A task recorded before is set anew, so that pressing twice changes nothing. Raises Problems naming the task's
    place (`minutes.0`) where it is none of this job's or its minutes cannot be.
    """
    work.require(Role.BENCH)
    if work.actor.user_id is None:
        raise LedgerError("", "Times are recorded by a person who is logged in.")
    with transaction(work.session):
        job = work.session.scalar(sa.select(Job).where(Job.number == job_number))
        if job is None:
            raise NotFound("job")
        tasks = {task.key: task for task in job_tasks(work.session, job)}
        problems = []
        for place, (key, taken) in enumerate(minutes.items()):
            if key not in tasks:
                problems.append(Problem(f"minutes.{place}", "This job has no such work at the bench."))
            elif not 0 < taken <= MOST_MINUTES:
                problems.append(Problem(f"minutes.{place}", f"Enter minutes above 0, at most {MOST_MINUTES:,}."))
        if problems:
            raise Problems(problems)
        there = recorded_of(work.session, job)
        for key, taken in minutes.items():
            task = tasks[key]
            row = there.get(key) or BenchTimeRow(job_id=job.id, task=key[0], kind=key[1], cylinder=key[2])
            row.pieces, row.minutes = task.pieces, f"{taken.normalize():f}"
            row.finished, row.recorded_by_id = work.today, work.actor.user_id
            work.session.add(row)
        if minutes:
            work.session.flush()
            said = "; ".join(f"{tasks[key].words}: {taken.normalize():f} min" for key, taken in minutes.items())
            record(work, "bench time recorded", f"job {job.number}", said, job_id=job.id)
        return len(minutes)


def adopt_time(work: Work, key: TaskKey, median: str, moving: Adopt, valid_from: date, seen: str) -> BenchTermsRow:
    """Take a learned time into the bench's terms from a day on.

    `median`: the minutes that the owner looked at; `seen`: the mark of the terms then. Stale when either has moved
    on. BitternError where the book has no figure to move, or it would fall below nothing.
    """
    work.require()
    row, learned = learned_times(work.session, valid_from)  # the terms that will hold then
    found = next((one for one in learned if _key(one.task, one.kind, one.cylinder) == key), None)
    if row is None or found is None:
        raise BitternError("task", "There is no learned time of this; look at the list again.")
    if str(found.median_minutes) != median:
        raise Stale("The bench recorded another time since this list was made. Look at it again.")
    terms = adopt(BenchTerms.from_json(row.terms), found, moving)
    said = task_words(found.task, found.kind, found.cylinder)
    why = f"{said}: as the last {found.jobs} jobs took"
    return set_bench_terms(work, valid_from, terms.to_json(), seen, why=why, counted=False)


def _key(task: str, kind: str | None, cylinder: str | None) -> TaskKey:
    return str(task), str(kind or ""), str(cylinder or "")
