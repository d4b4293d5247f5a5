"""Minutes that the demo's bench took for its jobs: keys take longer than the book says, the rest as it says."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal

from app.ledger.bench.times import job_tasks, record_times
from app.ledger.jobs.queries import get_job
from app.ledger.store.work import Work
from app.pricing import BenchTask

_EACH = {BenchTask.SET_UP: Decimal(40), BenchTask.PINNING: Decimal("9.5"), BenchTask.CUTTING: Decimal("1.5")}


def load_times(bench: Work, numbers: Iterable[int]) -> int:
    """Record what each job of these numbers took, a little more with each; gives how many times were recorded."""
    count = 0
    for place, number in enumerate(numbers):
        tasks = job_tasks(bench.session, get_job(bench.session, number))
        slower = 1 + Decimal(place) / 20
        taken = {task.key: round(_EACH[task.task] * task.pieces * slower, 1) for task in tasks}
        count += record_times(bench, number, taken)
    return count
