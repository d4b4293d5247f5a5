"""Working days against two calendar libraries: NumPy's business days (numpy.busday_offset, numpy.busday_count,
numpy.org/doc) and the public holidays of the `holidays` package (P: both libraries' own results)."""

import random
from datetime import date, timedelta

import holidays
import numpy as np
import pytest

from app.pricing import add_working_days, count_working_days, next_working_day

YEARS = range(2024, 2031)
FEDERAL = holidays.country_holidays("US", years=YEARS)
CHANCE = random.Random(32)
DAYS = [date(2024, 1, 1) + timedelta(CHANCE.randrange(6 * 365)) for _ in range(400)]


@pytest.mark.parametrize("closed", [[], sorted(FEDERAL)], ids=["weekends", "holidays"])
def test_offsets_are_numpys(closed):
    for day in DAYS:
        days = CHANCE.randint(1, 90)
        # From a closed day the first working day counted is the next open one, as rolling backward gives.
        expected = np.busday_offset(day, days, roll="backward", holidays=closed).astype(date)
        assert add_working_days(day, days, frozenset(closed)) == expected
        assert next_working_day(day, frozenset(closed)) == np.busday_offset(
            day, 0, roll="forward", holidays=closed
        ).astype(date)


@pytest.mark.parametrize("closed", [[], sorted(FEDERAL)], ids=["weekends", "holidays"])
def test_counts_are_numpys(closed):
    for first, last in zip(DAYS, reversed(DAYS), strict=True):
        expected = int(np.busday_count(first, last, holidays=closed)) if first < last else 0
        assert count_working_days(first, last, frozenset(closed)) == expected


def test_working_days_are_the_holiday_calendars_own():
    for day in DAYS[:100]:
        assert add_working_days(day, 15, frozenset(FEDERAL)) == FEDERAL.get_nth_working_day(day, 15)
