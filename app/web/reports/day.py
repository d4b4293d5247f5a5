"""The day: what is to be done, each for whom it is for, and the owner's figures; the rows behind each; the follow-up
list that the counter works through.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date, timedelta

from flask import Blueprint, abort, render_template, request
from flask.typing import ResponseReturnValue
from wtforms import HiddenField
from wtforms.validators import Regexp

from app.documents import DayList, LoadBar, day_list, load_chart
from app.ledger.bench.bench_queries import bench_day
from app.ledger.care.backups import last_backup
from app.ledger.catalog.first_day import first_steps
from app.ledger.goods.moved_promises import calls_to_make
from app.ledger.goods.order_queries import deliveries_since, late_lines
from app.ledger.goods.to_order import what_to_order
from app.ledger.jobs.appointments import coming_appointments, place_of, when_words
from app.ledger.jobs.queries import LedgerQuestion, ledger_page
from app.ledger.jobs.reminders import due_reminders
from app.ledger.jobs.stages import lose_quote
from app.ledger.keys.losses import count_open_losses
from app.ledger.money.owing import owed_by_customer, owed_jobs
from app.ledger.reports.open_jobs import (
    Whom,
    count_waiting,
    load_of_bench,
    promised_jobs,
    startable_jobs,
    waiting_jobs,
)
from app.ledger.reports.quotes import (
    PERIODS,
    lapsing_quotes,
    lost_quotes,
    outcomes,
    past_reasons,
    won_quotes,
)
from app.ledger.reports.rises import coming_days, touched_by_rises
from app.ledger.sites.customer_queries import get_customer
from app.ledger.store.work import Work
from app.ledger.tables import Role
from app.pricing import LoadDay
from app.web.access import roles
from app.web.files import XLSX, send
from app.web.forms_base import PageForm, flash_and_redirect, text, typed
from app.web.jobs.page import read_question
from app.web.services import current_work
from app.web.templating import show_day

_AHEAD = timedelta(days=7)  # of appointments on the page
_SINCE_WHEN = timedelta(days=1)  # so long it is news that something came in
ROWS = 10  # of each list on the page; the list itself has them all
_WEEK = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
Arguments = Mapping[str, str]
MOST_ROWS = 10_000  # of a page or a sheet that somebody reads; the figures on the day are of all of them
NO_END = 10_000_000


def _waiting(work: Work, arguments: Arguments) -> DayList:
    whom = read_whom(arguments)
    rows = waiting_jobs(work.session, work.today, whom, limit=NO_END)
    return day_list("waiting", f"Waiting on {whom}" if whom else "What waits on whom", rows)


def _promised(work: Work, arguments: Arguments) -> DayList:
    if arguments.get("day") == "overdue":
        overdue = promised_jobs(work.session, work.today, is_overdue=True)
        return day_list("promised", "Overdue from before this week", overdue)
    day = read_day(arguments)
    rows = promised_jobs(work.session, work.today, day)
    return day_list("promised", f"Promised for {show_day(day)}" if day else "Promised this week", rows)


def _won(work: Work, arguments: Arguments) -> DayList:
    days = read_period(arguments)
    return day_list("won", f"Quotes won in the last {days} days", won_quotes(work.session, work.today, days))


def _lost(work: Work, arguments: Arguments) -> DayList:
    days, reason = read_period(arguments), " ".join(arguments.get("reason", "").split())[:500]
    title = f"Quotes lost in the last {days} days"
    rows = lost_quotes(work.session, work.today, days, reason)
    return day_list("lost", f"{title}: {reason}" if reason else title, rows)


def _owed(work: Work, arguments: Arguments) -> DayList:
    sent = arguments.get("customer", "")
    if sent.isascii() and sent.isdecimal() and len(sent) < 10:
        customer = get_customer(work.session, int(sent))
        rows = owed_jobs(work.session, work.today, customer.id)
        return day_list("owed", f"Owed by {customer.name}", rows)
    return day_list("owed", "Handed over and not paid in full", owed_jobs(work.session, work.today))


def _jobs(work: Work, arguments: Arguments) -> DayList:
    question = read_question(arguments)
    page = ledger_page(work.session, work.today, question, size=NO_END)
    kinds = [question.stage.word if question.stage else "", "late" if question.is_late else ""]
    title = " ".join(["Jobs", *(kind for kind in kinds if kind)])
    return day_list("jobs", title if question.includes_over or any(kinds) else "Open jobs", page.rows)


def _rises(work: Work, arguments: Arguments) -> DayList:
    day = read_day(arguments) or work.today
    title = f"Open quotes and orders that the prices of {show_day(day)} touch"
    return day_list("rises", title, touched_by_rises(work.session, work.today, day))


def _start(work: Work, arguments: Arguments) -> DayList:
    return day_list("start", "What can start: all its parts are there", startable_jobs(work.session, work.today))


def _bench(work: Work, arguments: Arguments) -> DayList:
    rows = [row for row in bench_day(work.session, work.today).rows if row.minutes]
    return day_list("bench", "What the bench has yet to do, by promise", rows)


def _order(work: Work, arguments: Arguments) -> DayList:
    rows = [(of, one) for of in what_to_order(work, extras=False) for one in (*of.items, *of.keying)]
    return day_list("order", "What to order, by maker", rows)


def _late(work: Work, arguments: Arguments) -> DayList:
    return day_list("late", "What makers are late with", late_lines(work.session, work.today))


def _came(work: Work, arguments: Arguments) -> DayList:
    came = deliveries_since(work.session, work.today - _SINCE_WHEN, limit=MOST_ROWS)
    rows = [(delivery, line) for delivery in came for line in delivery.lines]
    return day_list("came", "What came in since yesterday", rows)


def _call(work: Work, arguments: Arguments) -> DayList:
    return day_list("call", "Whom to call: their day moved, or is not known", calls_to_make(work))


def _stages(work: Work, arguments: Arguments) -> DayList:
    page = ledger_page(work.session, work.today, LedgerQuestion(), size=1)
    return day_list("stages", "Value and margin by stage", page.stages)


LISTS: Mapping[str, Callable[[Work, Arguments], DayList]] = {
    "waiting": _waiting,
    "promised": _promised,
    "won": _won,
    "lost": _lost,
    "owed": _owed,
    "jobs": _jobs,
    "rises": _rises,
    "stages": _stages,
    "start": _start,
    "bench": _bench,
    "order": _order,
    "late": _late,
    "came": _came,
    "call": _call,
}
_OF_THE_BENCH = frozenset({"start", "bench", "late", "came"})
_OF_THE_COUNTER = _OF_THE_BENCH | {"order", "call", "owed"}


def may_see(role: Role, name: str) -> bool:
    """Whether a list is for a role: the owner sees all."""
    return role is Role.OWNER or name in (_OF_THE_COUNTER if role is Role.COUNTER else _OF_THE_BENCH)


def a_list(work: Work, name: str, arguments: Arguments) -> DayList:
    """The list of that name, its title saying where it is cut; 404 where there is none, 403 where it is another's."""
    if name not in LISTS:
        abort(404)
    if not may_see(Role(work.actor.role), name):
        abort(403)
    found = LISTS[name](work, arguments)
    if len(found.rows) <= MOST_ROWS:
        return found
    title = f"{found.title}: the first {MOST_ROWS:,} of {len(found.rows):,}"
    return replace(found, title=title, rows=found.rows[:MOST_ROWS])


WITHIN = (7, 14, 30)
_WHOM = {whom.name.lower(): whom for whom in Whom}


class LostForm(PageForm):
    """A quote that was lost, and why."""

    quote = HiddenField("Quote", [Regexp(r"[0-9]{1,9}\Z", message="Press the button beside a quote.")])
    reason = text("Lost, because", 500, needed="Say why it was lost; a few words are enough.")


def read_whom(arguments: Mapping[str, str]) -> Whom | None:
    """Whose move the address asks for; None for everybody's.

    >>> read_whom({"whom": "bench"}), read_whom({"whom": "x"})
    (<Whom.BENCH: 'the bench'>, None)
    """
    return _WHOM.get(arguments.get("whom", ""))


def read_period(arguments: Mapping[str, str]) -> int:
    """Over how many days to look back: 30, 90 or 365; 90 for anything else."""
    return next((days for days in PERIODS if str(days) == arguments.get("days")), 90)


def read_within(arguments: Mapping[str, str]) -> int:
    """Within how many days a quote lapses: 7, 14 or 30; 7 for anything else."""
    return next((days for days in WITHIN if str(days) == arguments.get("within")), WITHIN[0])


def read_day(arguments: Mapping[str, str]) -> date | None:
    """The day in the address; None for none or for nonsense.

    >>> read_day({"day": "2026-11-25"}), read_day({"day": "late"}), read_day({})
    (datetime.date(2026, 11, 25), None, None)
    """
    try:
        return date.fromisoformat(arguments.get("day", ""))
    except ValueError:
        return None


blueprint = Blueprint("day", __name__, url_prefix="/day")


@blueprint.get("")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """What each looks at first, as far as it is theirs; the owner's figures besides."""
    work = current_work()
    session, today, role = work.session, work.today, Role(work.actor.role)
    load = load_of_bench(session, today)
    is_money = may_see(role, "owed")
    return render_template(
        "reports/day.html",
        weekday=_WEEK[today.weekday()],
        may_see=lambda name: may_see(role, name),
        rows=ROWS,
        load=load,
        chart=load_chart([_bar(day, today) for day in load]) if load else "",
        to_order=what_to_order(work, extras=False) if may_see(role, "order") else (),
        late_parts=late_lines(session, today),
        came=deliveries_since(session, today - _SINCE_WHEN),
        calls=calls_to_make(work) if may_see(role, "call") else (),
        startable=startable_jobs(session, today),
        appointments=coming_appointments(session, today, today + _AHEAD),
        when=when_words,
        place=place_of,
        its_reminders=due_reminders(session, today, role),
        owing=owed_by_customer(session, today) if is_money else (),
        **(_figures(work) if role is Role.OWNER else {}),
    )


def _figures(work: Work) -> dict[str, object]:
    """What the owner alone reads; won and lost over the days asked for."""
    session, today = work.session, work.today
    return {
        "ledger": ledger_page(session, today, LedgerQuestion(), size=ROWS),
        "waiting": count_waiting(session),
        "promised": promised_jobs(session, today),
        "outcomes": outcomes(session, today, read_period(request.args)),
        "periods": PERIODS,
        "lapsing": lapsing_quotes(session, today),
        "backup": last_backup(session),
        "steps_left": len([step for step in first_steps(session) if not step.done]),
        "open_losses": count_open_losses(session),
        "coming": coming_days(session, today),
    }


def _bar(day: LoadDay, today: date) -> LoadBar:
    name = f"{_WEEK[day.day.weekday()][:2]} {day.day.day}"
    return LoadBar(name, day.due - day.overdue, day.overdue, day.bench, day.day == today)


@blueprint.get("/<name>")
@roles(Role.COUNTER, Role.BENCH)
def show(name: str) -> ResponseReturnValue:
    """The rows behind a figure."""
    found = a_list(current_work(), name, request.args)
    return render_template("reports/day_list.html", found=found, asked=request.args)


@blueprint.get("/<name>.xlsx")
@roles(Role.COUNTER, Role.BENCH)
def sheet(name: str) -> ResponseReturnValue:
    """The same rows as a spreadsheet."""
    work = current_work()
    found = a_list(work, name, request.args)
    return send(found.xlsx(work.today), f"{found.name}-{work.today.isoformat()}.xlsx", XLSX)


@blueprint.route("/follow-up", methods=["GET", "POST"])
@roles(Role.COUNTER)
def follow_up() -> ResponseReturnValue:
    """Quotes about to lapse: whom to ring; and what came of it where it was lost."""
    work, form = current_work(), LostForm()
    if done := form.run(lambda: lose_quote(work, int(typed(form.quote)), typed(form.reason))):
        return flash_and_redirect(
            f"Job {done.value.number} is lost, because: {done.value.reason}",
            "day.follow_up",
            within=read_within(request.args),
        )
    within = read_within(request.args)
    return render_template(
        "reports/follow_up.html",
        form=form,
        quotes=lapsing_quotes(work.session, work.today, within),
        within=within,
        choices=WITHIN,
        reasons=past_reasons(work.session),
    ), form.status


@blueprint.get("/follow-up.xlsx")
@roles(Role.COUNTER)
def follow_up_sheet() -> ResponseReturnValue:
    """The follow-up list as a spreadsheet."""
    work = current_work()
    rows = lapsing_quotes(work.session, work.today, read_within(request.args))
    found = day_list("follow-up", "Quotes to follow up", rows)
    return send(found.xlsx(work.today), f"{found.name}-{work.today.isoformat()}.xlsx", XLSX)
