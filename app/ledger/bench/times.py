"""The bench's minutes for a job: recorded, what the last jobs teach, and a learned time taken into the price book."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError, Problem, Problems
from app.ledger.catalog.house_settings import set_bench_terms
from app.ledger.catalog.price_queries import bench_terms_row_on
from app.ledger.jobs.cylinder_lines import key_counts
from app.ledger.jobs.queries import get_job
from app.ledger.quoting.factory_keyed import sent_cylinders, sent_keysets
from app.ledger.quoting.request import QuoteRequest
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import BenchTermsRow, BenchTimeRow, Job, Role
from app.pricing import (
    Adopt,
    BenchTask,
    BenchTerms,
    CylinderType,
    KeyingKind,
    LearnedTime,
    RecordedTime,
    adopt,
    learn,
)

MOST_MINUTES = 100_000


def record_times(work: Work, job_number: int, minutes: "Mapping[TaskKey, Decimal | None]") -> int:
    """Put the minutes of a job's tasks on record, whole pieces as the job counts them; gives how many were.

    A task without minutes stays as it is; one recorded before is set anew, so that pressing twice changes nothing.
    Raises Problems naming the task's place (`minutes-0`) where it is none of this job's or its minutes cannot be.
    """
    work.require(Role.BENCH)
    if work.actor.user_id is None:
        raise LedgerError("", "Times are recorded by a person who is logged in.")
    with transaction(work.session):
        job = get_job(work.session, job_number)
        tasks = {task.key: task for task in job_tasks(work.session, job)}
        problems = []
        for place, (key, spent) in enumerate(minutes.items()):
            if key not in tasks:
                problems.append(Problem(f"minutes-{place}", "This job has no such work at the bench."))
            elif spent is not None and not 0 < spent <= MOST_MINUTES:
                problems.append(Problem(f"minutes-{place}", f"Enter minutes above 0, at most {MOST_MINUTES:,}."))
        if problems:
            raise Problems(problems)
        there = recorded_of(work.session, job)
        entered = {key: spent for key, spent in minutes.items() if spent is not None}
        for key, taken in entered.items():
            task = tasks[key]
            row = there.get(key) or BenchTimeRow(job_id=job.id, task=key[0], kind=key[1], cylinder=key[2])
            row.pieces, row.minutes = task.pieces, f"{taken.normalize():f}"
            row.finished, row.recorded_by_id = work.today, work.actor.user_id
            work.session.add(row)
        if entered:
            work.session.flush()
            said = "; ".join(f"{tasks[key].words}: {taken.normalize():f} min" for key, taken in entered.items())
            record(work, "bench time recorded", f"job {job.number}", said, job_id=job.id)
        return len(entered)


def adopt_time(work: Work, key: "TaskKey", median: str, moving: Adopt, valid_from: date, seen: str) -> BenchTermsRow:
    """Take a learned time into the bench's terms from a day on.

    `median`: the minutes that the owner looked at; `seen`: the mark of the terms then. Stale when either has moved
    on. BitternError where the book has no figure to move, or it would fall below nothing.
    """
    work.require_owner()
    row, learned = learned_times(work.session, valid_from)  # the terms that will hold then
    found = next((one for one in learned if _key(one.task, one.kind, one.cylinder) == key), None)
    if row is None or found is None:
        raise BitternError("task", "There is no learned time of this; look at the list again.")
    if str(found.median_minutes) != median:
        raise Stale("The bench recorded another time since this list was made. Look at it again.")
    terms = adopt(BenchTerms.from_json(row.terms), found, moving)
    why = f"{task_words(found.task, found.kind, found.cylinder)}: as the last {found.jobs} jobs took"
    return set_bench_terms(work, valid_from, terms.to_json(), seen, why=why, counted=False)


def _key(task: str, kind: str | None, cylinder: str | None) -> "TaskKey":
    return str(task), str(kind or ""), str(cylinder or "")


TaskKey = tuple[str, str, str]
"""(task, keying kind or "", cylinder type or ""): what a time was spent on."""


@dataclass(frozen=True, slots=True)
class JobTask:
    """One piece of a job's bench work: setting up its system, pinning cylinders of one kind, cutting its keys."""

    task: BenchTask
    kind: KeyingKind | None
    cylinder: CylinderType | None
    pieces: int

    @property
    def key(self) -> TaskKey:
        """What tells it from the job's other tasks."""
        return _key(self.task, self.kind, self.cylinder)

    @property
    def words(self) -> str:
        """“Pinning and checking 24 mortise cylinders, MK”."""
        return task_words(self.task, self.kind, self.cylinder, self.pieces)


def task_words(task: BenchTask, kind: KeyingKind | None, cylinder: CylinderType | None, pieces: int = 0) -> str:
    """A task in words; without `pieces`, of one piece.

    >>> task_words(BenchTask.CUTTING, None, None, 12), task_words(BenchTask.SET_UP, KeyingKind.MK, None)
    ('Cutting 12 keys', 'Setting up a system, MK')
    """
    if task is BenchTask.CUTTING:
        return "Cutting a key" if pieces in (0, 1) else f"Cutting {pieces:,} keys"
    if task is BenchTask.SET_UP:
        return f"Setting up a system, {kind}"
    what = f"a {cylinder} cylinder" if pieces in (0, 1) else f"{pieces:,} {cylinder} cylinders"
    return f"Pinning and checking {what}, {kind}"


def job_tasks(session: Session, job: Job) -> list[JobTask]:
    """What the bench does in a job that was accepted; nothing where all of it is keyed at the factory."""
    if not job.revisions or "shop" not in job.keyed_at:
        return []
    ask = QuoteRequest.from_json(read_snapshot(job.revisions[-1].snapshot).ask)
    kinds = {number: line.keying.kind for number, line in enumerate(ask.lines, start=1)}
    sent = sent_cylinders(session, job)
    here = [one for one in job.cylinders if one.id not in sent and one.keyset_id is not None]
    counted = Counter(
        (kinds[one.line_number], CylinderType(one.type))
        for one in here
        if one.line_number in kinds and one.type in {each.value for each in CylinderType}
    )
    tasks = []
    mastered = [kind for kind, _ in counted if kind.is_master_keyed]
    if mastered and ask.system is not None and ask.system.existing_id is None:
        deepest = max(mastered, key=list(KeyingKind).index)
        tasks.append(JobTask(BenchTask.SET_UP, deepest, None, 1))
    tasks += [JobTask(BenchTask.PINNING, kind, sort, count) for (kind, sort), count in counted.items()]
    theirs = sent_keysets(session, job)
    keys = sum(count for keyset_id, count in key_counts(session, job.id).items() if keyset_id not in theirs)
    if keys:
        tasks.append(JobTask(BenchTask.CUTTING, None, None, keys))
    return tasks


def recorded_of(session: Session, job: Job) -> Mapping[TaskKey, BenchTimeRow]:
    """What was recorded of a job already, by task."""
    rows = session.scalars(sa.select(BenchTimeRow).where(BenchTimeRow.job_id == job.id))
    return {(row.task, row.kind, row.cylinder): row for row in rows}


def learned_times(session: Session, day: date) -> tuple[BenchTermsRow | None, tuple[LearnedTime, ...]]:
    """The terms in force on a day, and beside their figures the median of the last nine jobs of each task with three.

    Without terms nothing can be compared: (None, ()).
    """
    row = bench_terms_row_on(session, day)
    if row is None:
        return None, ()
    times = session.scalars(sa.select(BenchTimeRow).order_by(BenchTimeRow.finished, BenchTimeRow.id))
    return row, learn(BenchTerms.from_json(row.terms), [_time(one) for one in times])


def _time(row: BenchTimeRow) -> RecordedTime:
    return RecordedTime(
        task=BenchTask(row.task),
        pieces=row.pieces,
        minutes=Fraction(Decimal(row.minutes)),
        finished=row.finished,
        kind=KeyingKind(row.kind) if row.kind else None,
        cylinder=CylinderType(row.cylinder) if row.cylinder else None,
    )
