"""Each list of the owner's day as its address asks for it: what its page and its spreadsheet both show."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from app.documents import (
    DayList,
    lost_list,
    open_list,
    owed_list,
    promised_list,
    stage_list,
    waiting_list,
    won_list,
)
from app.ledger.jobs.queries import LedgerQuestion, ledger_page
from app.ledger.reports.outcomes import lost_quotes, won_quotes
from app.ledger.reports.owed import owed_jobs
from app.ledger.reports.promised import promised_jobs
from app.ledger.reports.waiting import waiting_jobs
from app.ledger.sites.customer_queries import get_customer
from app.ledger.store.work import Work
from app.web.day.forms import read_day, read_period, read_whom
from app.web.filters import show_day
from app.web.jobs.forms import read_question

Arguments = Mapping[str, str]
MOST_ROWS = 10_000  # of a page or a sheet that somebody reads; the figures on the day are of all of them
NO_END = 10_000_000


def _waiting(work: Work, arguments: Arguments) -> DayList:
    whom = read_whom(arguments)
    rows = waiting_jobs(work.session, work.today, whom, limit=NO_END)
    return waiting_list(rows, f"Waiting on {whom}" if whom else "What waits on whom")


def _promised(work: Work, arguments: Arguments) -> DayList:
    if arguments.get("day") == "overdue":
        overdue = promised_jobs(work.session, work.today, is_overdue=True)
        return promised_list(overdue, "Overdue from before this week")
    day = read_day(arguments)
    rows = promised_jobs(work.session, work.today, day)
    return promised_list(rows, f"Promised for {show_day(day)}" if day else "Promised this week")


def _won(work: Work, arguments: Arguments) -> DayList:
    days = read_period(arguments)
    return won_list(won_quotes(work.session, work.today, days), f"Quotes won in the last {days} days")


def _lost(work: Work, arguments: Arguments) -> DayList:
    days, reason = read_period(arguments), " ".join(arguments.get("reason", "").split())[:500]
    title = f"Quotes lost in the last {days} days"
    return lost_list(lost_quotes(work.session, work.today, days, reason), f"{title}: {reason}" if reason else title)


def _owed(work: Work, arguments: Arguments) -> DayList:
    sent = arguments.get("customer", "")
    if sent.isascii() and sent.isdecimal() and len(sent) < 10:
        customer = get_customer(work.session, int(sent))
        return owed_list(owed_jobs(work.session, work.today, customer.id), f"Owed by {customer.name}")
    return owed_list(owed_jobs(work.session, work.today), "Handed over and not paid in full")


def _jobs(work: Work, arguments: Arguments) -> DayList:
    question = read_question(arguments)
    page = ledger_page(work.session, work.today, question, size=NO_END)
    kinds = [question.stage.value if question.stage else "", "late" if question.is_late else ""]
    title = " ".join(["Jobs", *(kind for kind in kinds if kind)])
    return open_list(page.rows, title if question.includes_over or any(kinds) else "Open jobs")


def _stages(work: Work, arguments: Arguments) -> DayList:
    page = ledger_page(work.session, work.today, LedgerQuestion(), size=1)
    return stage_list(page.stages, "Value and margin by stage")


LISTS: Mapping[str, Callable[[Work, Arguments], DayList]] = {
    "waiting": _waiting,
    "promised": _promised,
    "won": _won,
    "lost": _lost,
    "owed": _owed,
    "jobs": _jobs,
    "stages": _stages,
}


def a_list(work: Work, name: str, arguments: Arguments) -> DayList | None:
    """The list of that name, its title saying where it is cut; None where there is none."""
    if name not in LISTS:
        return None
    found = LISTS[name](work, arguments)
    if len(found.rows) <= MOST_ROWS:
        return found
    title = f"{found.title}: the first {MOST_ROWS:,} of {len(found.rows):,}"
    return replace(found, title=title, rows=found.rows[:MOST_ROWS])
