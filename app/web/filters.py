"""How money, inches, days and moments read on a page: the filters of every page template."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime
from fractions import Fraction
from math import ceil
from typing import Any

from app.fitting import show_inches
from app.ledger.sites.cautions import caution_word
from app.pricing import half_up, show_cents

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


def show_duration(minutes: int | Fraction) -> str:
    """Minutes of work as hours and minutes, begun minutes counted whole.

    >>> show_duration(45), show_duration(150), show_duration(120)
    ('45 min', '2 h 30 min', '2 h')
    """
    hours, rest = divmod(ceil(minutes), 60)
    return " ".join(
        part for part in (f"{hours} h" if hours else "", f"{rest} min" if rest or not hours else "") if part
    )


def show_tenths(number: Fraction) -> str:
    """A quantity to one decimal, half up.

    >>> show_tenths(Fraction(9, 4)), show_tenths(Fraction(3))
    ('2.3', '3')
    """
    whole, tenth = divmod(half_up(number * 10), 10)
    return f"{whole}.{tenth}" if tenth else str(whole)


def show_size(count: int) -> str:
    """How large a file is, begun kilobytes counted whole.

    >>> show_size(900), show_size(2_500_000)
    ('1 kB', '2.5 MB')
    """
    return f"{-(-count // 1000)} kB" if count < 1_000_000 else f"{show_tenths(Fraction(count, 1_000_000))} MB"


FILTERS: Mapping[str, Callable[[Any], str]] = {
    "caution_word": caution_word,
    "cents": show_cents,
    "day": show_day,
    "duration": show_duration,
    "inches": show_inches,
    "moment": show_moment,
    "size": show_size,
    "tenths": show_tenths,
}
