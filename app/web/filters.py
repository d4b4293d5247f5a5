"""How money, inches, days and moments read on a page: the filters of every page template."""

from __future__ import annotations

__all__ = ["FILTERS", "show_day", "show_moment"]

from collections.abc import Callable, Mapping
from datetime import date, datetime
from typing import Any

from app.fitting import show_inches
from app.pricing import show_cents

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def show_day(day: date | None) -> str:
    """The day in short words, whatever the machine's locale; "" for None.

    >>> show_day(date(2026, 11, 25)), show_day(None)
    ('25 Nov 2026', '')
    """
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}" if day else ""


def show_moment(moment: datetime | None) -> str:
    """The moment on the shop's own clock: '25 Nov 2026, 14:05'; "" for None."""
    if moment is None:
        return ""
    local = moment.astimezone()
    return f"{show_day(local.date())}, {local:%H:%M}"


FILTERS: Mapping[str, Callable[[Any], str]] = {
    "cents": show_cents,
    "day": show_day,
    "inches": show_inches,
    "moment": show_moment,
}
