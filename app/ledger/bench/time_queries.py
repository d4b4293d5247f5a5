"""Questions about the bench's times: what a job's work falls into, what was recorded, what the last jobs teach."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.catalog.price_queries import bench_terms_row_on
from app.ledger.jobs.cylinder_lines import key_counts
from app.ledger.quoting.factory_keyed import sent_cylinders, sent_keysets
from app.ledger.quoting.request import ask_from_json
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.tables import BenchTermsRow, BenchTimeRow, Job, QuoteRevision
from app.pricing import BenchTask, BenchTerms, CylinderType, KeyingKind, LearnedTime, RecordedTime, learn

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
        return self.task.value, self.kind.value if self.kind else "", self.cylinder.value if self.cylinder else ""

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
    text = session.scalar(
        sa.select(QuoteRevision.snapshot)
        .where(QuoteRevision.job_id == job.id)
        .order_by(QuoteRevision.revision.desc())
        .limit(1)
    )
    if text is None or "shop" not in job.keyed_at:
        return []
    ask = ask_from_json(read_snapshot(text).ask)
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
