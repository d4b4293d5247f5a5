"""When work on one bench is done, and what an acceptance may take, against textbooks.

BC1 first come first served on one machine, P: kewhl.tripod.com/solution1.htm (after Heizer and Render, Operations
Management, ch. 15). BC2 the same by the earliest due date, D from BC1's inputs. AV6 accepting one order must never
break an earlier promise, P: ETH Zürich, Integral Logistics Management 5.3.5, opess.ethz.ch; of shelf and orders
it is shown in `tests/ledger/stock/test_needs.py`, of the bench's time in `tests/pricing/test_reserve.py`.

AV1 to AV5, what is available to promise, are asked of the ledger: `tests/published/test_ledger_promises.py`. BC3,
load by weeks, is the bench load's.
"""

from collections.abc import Sequence
from datetime import date, timedelta
from fractions import Fraction

import pytest

from app.pricing import BenchTerms, CylinderType, KeyingKind, Supply, Urgency, bench_ready, count_working_days

MONDAY = date(2026, 3, 2)
DAYS = {"A": 6, "B": 2, "C": 8, "D": 3, "E": 9}
DUE = {"A": 8, "B": 6, "C": 18, "D": 15, "E": 23}
TERMS = {
    "labour_cents_per_hour": 0,
    "type_minutes": {CylinderType.MORTISE: Fraction(1)},
    "kind_minutes": {KeyingKind.KD: Fraction(1)},
    "minutes_per_day": Fraction(100),
}


def finished(jobs: Sequence[str]) -> list[int]:
    """On which working day each is done, one promised after the other; a day is 100 minutes."""
    done, promised = [], Fraction(0)
    for job in jobs:
        minutes = Fraction(100 * DAYS[job])
        terms = BenchTerms(**TERMS, minutes_promised=promised)  # type: ignore[arg-type]
        ready = bench_ready(MONDAY, minutes, Supply(0, MONDAY), terms, Urgency.IN_TURN)
        assert isinstance(ready, date)
        done.append(count_working_days(MONDAY, ready + timedelta(days=1)))
        promised += minutes
    return done


@pytest.mark.parametrize(
    ("jobs", "done", "late"),
    [("ABCDE", [6, 8, 16, 19, 28], [0, 2, 0, 4, 5]), ("BADCE", [2, 8, 11, 19, 28], [0, 0, 0, 1, 5])],
    ids=["BC1", "BC2"],
)
def test_jobs_on_one_bench_are_done_one_after_the_other(jobs: str, done: list[int], late: list[int]) -> None:
    assert finished(jobs) == done
    assert [max(0, day - DUE[job]) for job, day in zip(jobs, finished(jobs), strict=True)] == late
    mean = Fraction(sum(finished(jobs)), 5)
    assert mean == (Fraction(77, 5) if jobs == "ABCDE" else Fraction(68, 5))  # 15.4 and 13.6 days
