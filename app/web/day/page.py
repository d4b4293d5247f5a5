"""What the owner's day shows, gathered once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from markupsafe import Markup

from app.documents import WeekBar, week_chart
from app.ledger.care.rotation import LastBackup, last_backup
from app.ledger.jobs.queries import LedgerPage, LedgerQuestion, ledger_page
from app.ledger.reports.lapsing import LapsingQuote, lapsing_quotes
from app.ledger.reports.outcomes import Outcomes, outcomes
from app.ledger.reports.owed import Owing, by_customer, owed_jobs
from app.ledger.reports.promised import Week, WeekDay, promised_week
from app.ledger.reports.waiting import Whom, count_waiting
from app.ledger.store.work import Work

ROWS = 10  # of each list on the page; the list itself has them all
_WEEK = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


@dataclass(frozen=True, slots=True)
class DayPage:
    """The owner's day. `owing`: customers who owe, the longest first. `lapsing`: quotes to ring about this week."""

    today: date
    ledger: LedgerPage
    waiting: Mapping[Whom, tuple[int, int]]
    week: Week
    outcomes: Outcomes
    owing: tuple[Owing, ...]
    lapsing: tuple[LapsingQuote, ...]
    backup: LastBackup | None

    @property
    def weekday(self) -> str:
        """The day's name."""
        return _WEEK[self.today.weekday()]

    @property
    def chart(self) -> Markup:
        """The week as a drawing."""
        return week_chart([self._bar(day) for day in (self.week.overdue, *self.week.days)])

    def _bar(self, day: WeekDay) -> WeekBar:
        name = f"{_WEEK[day.day.weekday()][:3]} {day.day.day}" if day.day else "overdue"
        return WeekBar(name, day.still, day.done, day.bench, day.day == self.today)

    @property
    def owed_cents(self) -> int:
        """What all of them owe."""
        return sum(one.owed_cents for one in self.owing)


def day_page(work: Work, days: int) -> DayPage:
    """The page for today; won and lost over the last `days`. A bounded number of queries."""
    work.require()  # costs and margins stand on it
    session, today = work.session, work.today
    return DayPage(
        today=today,
        ledger=ledger_page(session, today, LedgerQuestion(), size=ROWS),
        waiting=count_waiting(session),
        week=promised_week(session, today),
        outcomes=outcomes(session, today, days),
        owing=by_customer(owed_jobs(session, today)),
        lapsing=lapsing_quotes(session, today),
        backup=last_backup(session),
    )
