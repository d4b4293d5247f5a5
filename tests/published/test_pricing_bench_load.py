"""Load of the bench, and when work is done: a textbook's figures, a unit of time a working day."""

from dataclasses import replace
from datetime import date
from fractions import Fraction

import pytest

from app.pricing import (
    BenchTerms,
    CylinderType,
    KeyingKind,
    add_working_days,
    bench_load,
    bench_ready,
    count_working_days,
    done_on,
)
from app.pricing.request import Supply

MONDAY = date(2026, 3, 2)


def bench(a_day: int) -> BenchTerms:
    return BenchTerms(
        labour_cents_per_hour=0,
        type_minutes={CylinderType.RIM: Fraction(1)},
        kind_minutes={KeyingKind.KD: Fraction(1)},
        minutes_per_day=Fraction(a_day),
    )


def day(number: int) -> date:
    """The so-manieth working day, Monday being the first."""
    return add_working_days(MONDAY, number - 1)


JOBS = {"A": (6, 8), "B": (2, 6), "C": (8, 18), "D": (3, 15), "E": (9, 23)}


def late(finished: int, due: int) -> int:
    return count_working_days(day(due), day(finished))


@pytest.mark.parametrize(
    ("order", "finished", "lateness"),
    [
        # BC1 (P, kewhl.tripod.com/solution1.htm after Heizer and Render, ch. 15): first come, first served.
        ("ABCDE", (6, 8, 16, 19, 28), (0, 2, 0, 4, 5)),
        # BC2 (D): earliest due date.
        ("BADCE", (2, 8, 11, 19, 28), (0, 0, 0, 1, 5)),
    ],
)
def test_work_one_after_the_other(order: str, finished: tuple[int, ...], lateness: tuple[int, ...]) -> None:
    terms, before = bench(1), Fraction(0)
    for name, ends, overdue in zip(order, finished, lateness, strict=True):
        takes, due = JOBS[name]
        # As the promise is made, what was promised before going first; and as the bench's list says it.
        full = replace(terms, minutes_promised=before)
        promised = bench_ready(MONDAY, Fraction(takes), Supply(0, MONDAY), full)
        before += takes
        assert promised == done_on(terms, MONDAY, before) == day(ends)
        assert late(ends, due) == overdue
    means = {"ABCDE": Fraction(77, 5), "BADCE": Fraction(68, 5)}  # 15.4 (P), 13.6 (D)
    assert Fraction(sum(finished), 5) == means[order]


@pytest.mark.parametrize(
    ("hours_a_unit", "capacity", "percents"),
    [(Fraction(1, 2), 200, (50, 75, 25, 38)), (Fraction(1), 250, (80, 120, 40, 60))],
)
def test_a_period_that_is_over_is_said(hours_a_unit: Fraction, capacity: int, percents: tuple[int, ...]) -> None:
    """BC3: 200, 300, 100, 150 units in four periods, half an hour and an hour each (P, tutorsglobe.com 51227183), of
    200 and 250 hours (D): 37.5 % is 38 upwards; the second period of the second is over, and could be kept by working
    ahead, since 500 hours are there for the first two.
    """
    due = {day(number): (1, units * hours_a_unit) for number, units in enumerate((200, 300, 100, 150), start=1)}
    load = bench_load(bench(capacity), MONDAY, due, days=4)
    assert tuple(one.percent for one in load) == percents
    assert [one.is_over for one in load] == [percent > 100 for percent in percents]
    assert [one.short for one in load] == [0] * 4


def test_overdue_work_is_in_the_first_day() -> None:
    """Ours (C): 100 minutes a day, asked on a Saturday: 80 overdue, 30 for that Saturday, 130 for the Sunday, 20 for
    no day. All 260 stand on Monday: 160 cannot be done by its end, 60 not by Tuesday's; Wednesday's 40 fit.
    """
    saturday = date(2026, 2, 28)
    due = {date(2026, 2, 20): 80, saturday: 30, date(2026, 3, 1): 130, date(2026, 3, 4): 40, date(2026, 3, 16): 999}
    load = bench_load(bench(100), saturday, {on: (1, Fraction(one)) for on, one in due.items()}, Fraction(20))
    assert [one.day for one in load] == [day(number) for number in range(1, 11)]
    found = [(one.due, one.overdue, one.short) for one in load[:4]]
    assert found == [(260, 80, 160), (0, 0, 60), (40, 0, 0), (0, 0, 0)]
