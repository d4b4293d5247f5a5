from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.errors import BitternError
from app.pricing import add_working_days, count_working_days, is_working_day, next_working_day, show_day
from app.pricing.workdays import MAX_WORKING_DAYS

DAYS = st.dates(date(2026, 1, 1), date(2027, 12, 31))
CLOSED = st.frozensets(DAYS, max_size=40)


@given(DAYS, st.integers(1, 60), CLOSED)
def test_the_day_reached_is_open_and_that_many_open_days_on(start, days, closed):
    reached = add_working_days(start, days, closed)
    assert is_working_day(reached, closed)
    assert count_working_days(start + timedelta(1), reached + timedelta(1), closed) == days


@given(DAYS, DAYS, CLOSED)
def test_counting_is_looking_at_each_day(first, last, closed):
    each = [first + timedelta(n) for n in range(max(0, (last - first).days))]
    assert count_working_days(first, last, closed) == sum(is_working_day(day, closed) for day in each)


def test_an_open_day_is_its_own_next_and_a_long_closing_is_skipped():
    friday = date(2026, 3, 6)
    assert next_working_day(friday) == friday
    closed = {friday + timedelta(n) for n in range(14)}
    assert next_working_day(friday, closed) == date(2026, 3, 20)


@pytest.mark.parametrize("days", [-1, MAX_WORKING_DAYS + 1, 10**30])
def test_absurd_numbers_of_days_are_refused(days):
    with pytest.raises(BitternError, match="days"):
        add_working_days(date(2026, 3, 6), days)


def test_the_end_of_the_calendar_is_refused():
    with pytest.raises(BitternError, match="calendar"):
        add_working_days(date.max, 1)


def test_days_are_shown_in_words():
    assert show_day(date(2026, 12, 31)) == "Thursday 31 December 2026"
