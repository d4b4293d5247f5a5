"""What the bench has to do on its next working days against what it can do, and when what is promised gets done."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from math import ceil

from app.errors import BitternError
from app.pricing.terms import BenchTerms
from app.pricing.workdays import add_working_days, next_working_day


@dataclass(frozen=True, slots=True)
class LoadDay:
    """One working day in minutes: what is due on it, of that what was promised for days that are over, what the
    bench has, and what cannot be done by its end even with every minute before it. jobs: how many are due.
    """

    day: date
    jobs: int
    due: Fraction
    overdue: Fraction
    bench: Fraction
    short: Fraction

    @property
    def percent(self) -> int | None:
        """How much of the bench's day is asked of it, in whole percent upwards; None where it has no time."""
        return ceil(100 * self.due / self.bench) if self.bench else None

    @property
    def is_over(self) -> bool:
        """Whether more is promised for it than the bench can do on it."""
        return self.due > self.bench


def bench_load(
    bench: BenchTerms,
    today: date,
    due: Mapping[date, tuple[int, Fraction]],
    besides: Fraction = Fraction(0),
    days: int = 10,
) -> tuple[LoadDay, ...]:
    """The next working days, today's included. due: jobs and minutes yet to be done, by the day promised.

    What is overdue, and what is promised `besides` for no day, goes first, on the first of them; what is promised for
    a closed day has to be done on the working day before it.
    """
    first = next_working_day(today, bench.closed_days)
    *open_days, last = (add_working_days(first, count, bench.closed_days) for count in range(days + 1))
    asked, jobs = dict.fromkeys(open_days, Fraction(0)), dict.fromkeys(open_days, 0)
    asked[first] += besides
    overdue = Fraction(0)
    for day, (count, minutes) in due.items():
        if day < last:
            at = max((one for one in open_days if one <= day), default=first)
            asked[at], jobs[at] = asked[at] + minutes, jobs[at] + count
        if day < today:
            overdue += minutes
    found, due_by_then, had = [], Fraction(0), Fraction(0)
    for day in open_days:
        due_by_then, had = due_by_then + asked[day], had + bench.minutes_per_day
        late = overdue if day == first else Fraction(0)
        short = max(Fraction(0), due_by_then - had)
        found.append(LoadDay(day, jobs[day], asked[day], late, bench.minutes_per_day, short))
    return tuple(found)


def done_on(bench: BenchTerms, today: date, minutes: Fraction) -> date | None:
    """The working day on which so many minutes are through, the bench beginning today; None where it never is."""
    if not bench.minutes_per_day:
        return None
    full_days = max(ceil(minutes / bench.minutes_per_day), 1)
    try:
        return add_working_days(next_working_day(today, bench.closed_days), full_days - 1, bench.closed_days)
    except BitternError:  # further ahead than a date says anything
        return None
