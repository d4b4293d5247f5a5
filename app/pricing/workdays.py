"""Working days: weekends and given dates are closed; nothing here knows what day it is today."""

from __future__ import annotations

from collections.abc import Set
from datetime import date, timedelta

from app.errors import BitternError

SATURDAY_SUNDAY = frozenset({5, 6})
"""Weekdays as `date.weekday()` counts them, Monday 0."""

MAX_WORKING_DAYS = 5_000
"""About nineteen years: beyond it a date says nothing."""

_ONE_DAY = timedelta(days=1)
_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)


def is_working_day(day: date, closed: Set[date] = frozenset(), weekend: Set[int] = SATURDAY_SUNDAY) -> bool:
    """Whether the house is open on `day`."""
    return day.weekday() not in weekend and day not in closed


def next_working_day(day: date, closed: Set[date] = frozenset(), weekend: Set[int] = SATURDAY_SUNDAY) -> date:
    """`day` itself when it is open, else the first open day after it."""
    return add_working_days(day, 0, closed, weekend)


def add_working_days(
    start: date, days: int, closed: Set[date] = frozenset(), weekend: Set[int] = SATURDAY_SUNDAY
) -> date:
    """The `days`-th working day after `start`; with 0 days, `start` or the first open day after it.

    >>> add_working_days(date(2026, 3, 6), 1)  # Friday to Monday
    datetime.date(2026, 3, 9)
    >>> add_working_days(date(2026, 3, 6), 1, {date(2026, 3, 9)})
    datetime.date(2026, 3, 10)
    >>> add_working_days(date(2026, 3, 7), 0)  # a Saturday
    datetime.date(2026, 3, 9)
    """
    if not 0 <= days <= MAX_WORKING_DAYS:
        raise BitternError("days", f"Give 0 to {MAX_WORKING_DAYS:,} working days.")
    if len(weekend) >= 7:
        raise BitternError("weekend", "At least one day of the week must be open.")
    day = start
    left = days
    try:
        if left == 0:
            while not is_working_day(day, closed, weekend):
                day += _ONE_DAY
        while left:
            day += _ONE_DAY
            left -= is_working_day(day, closed, weekend)
    except OverflowError as error:
        raise BitternError("days", "That date is past the end of the calendar.") from error
    return day


def count_working_days(
    first: date, last: date, closed: Set[date] = frozenset(), weekend: Set[int] = SATURDAY_SUNDAY
) -> int:
    """How many open days lie from `first` up to but not on `last`; 0 when `last` is not later.

    >>> count_working_days(date(2026, 3, 6), date(2026, 3, 10))  # Friday and Monday
    2
    """
    if last <= first:
        return 0
    weeks, odd = divmod((last - first).days, 7)
    count = weeks * (7 - len(weekend))
    count += sum((first.weekday() + step) % 7 not in weekend for step in range(odd))
    return count - sum(first <= day < last and day.weekday() not in weekend for day in closed)


def show_day(day: date) -> str:
    """The day as a sentence says it, the same in every locale.

    >>> show_day(date(2026, 3, 6))
    'Friday 6 March 2026'
    """
    return f"{_WEEKDAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]} {day.year}"
