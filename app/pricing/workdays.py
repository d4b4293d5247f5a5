"""Working days: weekends and given dates are closed; nothing here knows what day it is today."""

from collections.abc import Set
from datetime import date, timedelta

from app.errors import BitternError

_WEEKEND = frozenset({5, 6})
"""Saturday and Sunday as `date.weekday()` counts them, Monday 0."""

MAX_WORKING_DAYS = 5_000
"""About nineteen years: beyond it a date says nothing."""

_ONE_DAY = timedelta(days=1)
_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)


class Dated:
    """A dataclass that holds from its `valid_from` to its `valid_until`, both days included, None for no end."""

    __slots__ = ()
    valid_from: date
    valid_until: date | None

    def check_days(self) -> None:
        """BitternError where the last day is before the first."""
        if self.valid_until is not None and self.valid_until < self.valid_from:
            raise BitternError("valid_until", "The last day may not be before the first.")

    def holds_on(self, day: date) -> bool:
        """Whether it is valid on `day`."""
        return self.valid_from <= day and (self.valid_until is None or day <= self.valid_until)


def is_working_day(day: date, closed: Set[date] = frozenset()) -> bool:
    """Whether the house is open on `day`."""
    return day.weekday() not in _WEEKEND and day not in closed


def next_working_day(day: date, closed: Set[date] = frozenset()) -> date:
    """`day` itself when it is open, else the first open day after it."""
    return add_working_days(day, 0, closed)


def add_working_days(start: date, days: int, closed: Set[date] = frozenset()) -> date:
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
    day = start
    left = days
    try:
        if left == 0:
            while not is_working_day(day, closed):
                day += _ONE_DAY
        while left:
            day += _ONE_DAY
            left -= is_working_day(day, closed)
    except OverflowError as error:
        raise BitternError("days", "That date is past the end of the calendar.") from error
    return day


def count_working_days(first: date, last: date, closed: Set[date] = frozenset()) -> int:
    """How many open days lie from `first` up to but not on `last`; 0 when `last` is not later.

    >>> count_working_days(date(2026, 3, 6), date(2026, 3, 10))  # Friday and Monday
    2
    """
    if last <= first:
        return 0
    weeks, odd = divmod((last - first).days, 7)
    count = weeks * (7 - len(_WEEKEND))
    count += sum((first.weekday() + step) % 7 not in _WEEKEND for step in range(odd))
    return count - sum(first <= day < last and day.weekday() not in _WEEKEND for day in closed)


def show_day(day: date) -> str:
    """The day as a sentence says it, the same in every locale.

    >>> show_day(date(2026, 3, 6))
    'Friday 6 March 2026'
    """
    return f"{_WEEKDAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]} {day.year}"
