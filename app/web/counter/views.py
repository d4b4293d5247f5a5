"""The counter page's addresses: look, update, save for later, issue."""

import secrets
from collections.abc import Sequence
from typing import Any

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.errors import BitternError, Problem
from app.fitting import DOOR_MATERIALS, all_finishes, finish_words, words
from app.ledger.catalog.maker_pictures import Pictures, pictures
from app.ledger.jobs.construction import delete_draft_of_cores
from app.ledger.jobs.queries import get_job
from app.ledger.quoting.issuing import (
    IssueForm,
    issue_quote,
    issued_from,
    keep_asked,
    keep_draft,
    lying_draft,
)
from app.ledger.quoting.quick_line import LONGEST_QUICK_LINE, QuickReading, read_quick_line
from app.ledger.quoting.repeating import repeat_of
from app.ledger.quoting.snapshot import CostedWay, KeyingChoice
from app.ledger.sites.customer_queries import find_customers
from app.ledger.store.errors import LedgerBusy, LedgerError, NotAllowed, NotFound, Stale, VaultError
from app.ledger.store.work import Work
from app.ledger.tables import Draft, Job, Role, Stage
from app.pricing import Urgency
from app.validation import counted
from app.web.access import may, roles
from app.web.counter.buttons import ANOTHER, Press, add_quick, apply, mend, press_of, put_goods
from app.web.counter.choices import ADDABLE, KEYINGS, TYPES
from app.web.counter.drafts import (
    draft_of_request,
    drafts_of,
    from_draft,
    keep_apart,
    newest_mark,
    resume,
    start,
    to_draft,
    with_lines,
)
from app.web.counter.forms import CUSTOMER_BOXES, CounterForm
from app.web.counter.page import CounterPage, build
from app.web.errors import about
from app.web.fitting.for_quote import read_lines
from app.web.forms_base import record_id
from app.web.services import current_work, request_session
from app.web.unsaved_text import take_unsaved_text

blueprint = Blueprint("counter", __name__, url_prefix="/counter")

_ANYBODY = (Role.COUNTER, Role.BENCH)
_FIRM = (*CUSTOMER_BOXES, "find", "site", "site_id", "title", "need_by")


def told_why(way: CostedWay, is_owner: bool) -> tuple[str, ...]:
    """Why a way is not possible, as a customer could be told it; for the owner with the figures behind it."""
    return (*way.why_not, *way.detail) if is_owner else way.why_not


def told_reasons(choice: KeyingChoice) -> list[str]:
    """The reasons, without those that stand beside their way already."""
    beside = {why for way in choice.ways for why in way.why_not}
    # A split's reasons say what stands against a way in one sentence, with the way's name before it.
    beside |= {" ".join(way.why_not) for way in choice.ways if way.why_not}
    return [one for one in choice.reasons if one not in beside and one.partition(": ")[2] not in beside]


@blueprint.context_processor
def _words() -> dict[str, Any]:
    """What the page's lists offer, where it sends what is typed, and how it tells what was understood."""
    job = request.args.get("job") or None
    return {
        "job": job,
        "update": url_for("counter.work_out", job=job),
        "paired": lambda names: [(name, name) for name in names],
        "addable": ADDABLE,
        "types": list(TYPES.items()),
        "materials": [("", "not said"), *DOOR_MATERIALS.items()],
        "keyings": list(KEYINGS),
        "urgencies": [("" if one is Urgency.IN_TURN else one.value, one.words) for one in Urgency],
        "finish_words": finish_words,
        "cylinder_words": words,
        "finish_of": {each.code: each for each in all_finishes()}.get,
        "told_why": told_why,
        "told_reasons": told_reasons,
        "issued_as": lambda token: issued_from(request_session(), token),
    }


@blueprint.get("")
@roles(*_ANYBODY)
def page() -> ResponseReturnValue:
    """An empty page, or a `customer`'s; one filled from a job's quote, or new work that repeats an accepted job; with
    `draft`, the one that was left lying.
    """
    work, job = current_work(), _job()
    if job is not None and job.stage not in (Stage.ASKED, Stage.QUOTED, Stage.LOST):
        flash(f"Job {job.number} is {job.stage.word}: it can no longer be quoted anew. Start another.", "caution")
        return redirect(url_for("counter.page"), 303)
    if number := record_id(request.args.get("repeat")):
        return _repeated(work, get_job(request_session(), number))
    drafts, named = drafts_of(work, job), request.args.get("draft", "")
    draft = next((draft for draft in drafts if draft.token == named), next(iter(drafts), None))
    token, offers = secrets.token_hex(16), drafts
    if (typed := take_unsaved_text()) is not None:
        form, focus, offers = CounterForm(typed), "", ()
        if form.text("token") not in {mine.token for mine in drafts}:
            form.say(token=token, draft_version="")
    elif draft is not None and (named or (job is not None and job.stage is Stage.ASKED)):
        # A job's draft may be open in two places: each place issues under a token of its own.
        form, focus, offers = resume(work, draft, token if job else draft.token), "", ()
    else:
        form = start(work, job, token, request.args.get("customer", ""), request.args.get("site", ""))
        focus = "" if job else "add" if form.text("customer_id") else "find"
    if job is not None:
        form.say(job_draft=newest_mark(work, job))
    return _page(build(work, form, asked=False, job=job), focus=focus, offers=offers)


def _repeated(work: Work, job: Job) -> ResponseReturnValue:
    """A page of new work that repeats an accepted job."""
    try:
        ask, left_out = repeat_of(work, job)
    except LedgerError as error:
        flash(error.message, "caution")
        return redirect(url_for("counter.page"), 303)
    for said in (f"This repeats job {job.number} as new work, at today's prices.", *left_out):
        flash(said)
    form = from_draft(draft_of_request(ask), secrets.token_hex(16))
    return _page(build(work, form, asked=False), focus="")


@blueprint.post("/work-out")
@roles(*_ANYBODY)
def work_out() -> ResponseReturnValue:
    """Add, remove or choose what was pressed, price it all anew, and keep it as a draft."""
    work, job, form = current_work(), _job(), _sent()
    # The form itself asks while somebody types, and HTMX sends the button pressed last along with it: a button that
    # was pressed has sent its own request, and would count twice.
    is_only_typed = request.headers.get("HX-Trigger") == "counter"
    press = Press() if is_only_typed else press_of(request.form.items(multi=True))
    if press == Press("action", "enter") and not form.lines.entries:
        press = Press("action", "find")  # without a script nothing tells in which box Enter was pressed
    only = _only_hit(form) if press == Press("action", "find") else ""
    typed = _quick_typed(form, press)
    if only:
        press = Press("choose", only)
    focus, asked = apply(form, press), press.name == "action" and not typed
    quick: QuickReading | None = None
    if typed:
        quick, focus = add_quick(work, form, typed)
    view = build(work, form, asked=asked, job=job, quick=quick)
    if press.name == "mend":
        focus = mend(work, view.priced, form, view.choices, press.value)
        view = build(work, form, asked=False, job=job)
    if press.name == "deliver" and view.two_deliveries:
        form = with_lines(form, view.two_deliveries)
        view = build(work, form, asked=False, job=job)
    _keep(work, view, job)
    if request.headers.get("HX-Request"):
        return render_template("counter/_form.html", page=view, focus=focus, pictures=_pictures(view))
    return _page(view, focus=focus, status=422 if asked and view.problems else 200)


@blueprint.post("/put")
@roles(*_ANYBODY)
def put() -> ResponseReturnValue:
    """Put what a Fit page found on the page that lies at the counter, or on a new one."""
    work, session = current_work(), request_session()
    draft = None if request.form.get("onto") == "new" else lying_draft(session, work.actor.user_id)
    job = session.get(Job, draft.job_id) if draft and draft.job_id else None
    form = resume(work, draft, draft.token) if draft else start(work, None, secrets.token_hex(16))
    line = put_goods(form, read_lines(request.form.get("lines", "")))
    if not line:
        flash("That could not be put on the quote: look for it again, or type it into a line.", "caution")
    kept, _ = keep_draft(work, form.text("token"), to_draft(form), job.id if job else None)
    return redirect(url_for("counter.page", job=job.number if job else None, draft=kept, _anchor=line or None), 303)


@blueprint.post("/keep")
@roles(*_ANYBODY)
def keep() -> ResponseReturnValue:
    """Save the page as a job that is asked for and not quoted yet."""
    work, job, form = current_work(), _job(), _sent()
    view = build(work, form, asked=True, job=job)
    # Lines may still be unclear: that is what saving for later is for. Customer, site and day must hold.
    if any(told.field in _FIRM for told in view.problems):
        return _page(view, focus="problems", status=422)
    if _keep(work, view, job):
        return _page(view, focus="apart", status=422)
    # Customer and site are on record from now on, so the draft that stays with the job no longer makes them.
    form.say(is_new_customer="", **({"site": ""} if view.reading.new_site else {}))
    try:
        kept = keep_asked(work, _issue_form(view, job), to_draft(form))
    except BitternError as error:
        return _refused(work, _sent(), job, error)
    flash(f"Saved with job {kept.number}." if job else f"Saved as job {kept.number}, not quoted yet.")
    return redirect(_job_url(kept.number), 303)


@blueprint.post("/issue")
@roles(*_ANYBODY)
def issue() -> ResponseReturnValue:
    """Issue the quote: one press, one revision."""
    work, job, form = current_work(), _job(), _sent()
    if job is not None:
        about(f"job {job.number}")
    view = build(work, form, asked=True, job=job)
    if _keep(work, view, job):
        return _page(view, focus="apart", status=422)
    if view.problems and issued_from(work.session, form.text("token")) is None:
        return _page(view, focus="problems", status=422)
    try:
        revision = issue_quote(work, _issue_form(view, job))
    except BitternError as error:
        return _refused(work, form, job, error)
    if request.form.get("then") == "sale" and may("counter_sale.page"):
        return redirect(url_for("counter_sale.page", number=revision.job.number), 303)
    return redirect(url_for("quotes.show", number=revision.job.number, revision=revision.revision), 303)


@blueprint.get("/work-out")
@blueprint.get("/put")
@blueprint.get("/keep")
@blueprint.get("/issue")
@roles(*_ANYBODY)
def again() -> ResponseReturnValue:
    """Somebody came back to an address that only takes what is typed: the page itself."""
    return redirect(url_for("counter.page", job=request.args.get("job")), 303)


@blueprint.get("/customers")
@roles(*_ANYBODY)
def customers() -> ResponseReturnValue:
    """Those whom a few letters or digits find, for the list below the search."""
    find = request.args.get("find", "")[:120].replace("\0", "")
    found = find_customers(request_session(), find)
    return render_template("counter/found.html", found=found, find=find.strip())


@blueprint.post("/drop")
@roles(*_ANYBODY)
def drop() -> ResponseReturnValue:
    """Delete the draft that was left lying."""
    count = delete_draft_of_cores(current_work(), request.form.get("token", "")[:64])
    cores = f" {counted(count, 'construction core')} of it: not back, and not charged for, again." if count else ""
    flash(f"The draft is deleted.{cores}")
    return redirect(url_for("counter.page"), 303)


def _only_hit(form: CounterForm) -> str:
    """The id of the one customer that the search finds; "" where it finds none or several, or nobody searches."""
    if form.text("customer_id") or form.text("is_new_customer"):
        return ""
    found = find_customers(request_session(), form.text("find")[:120])
    return str(found[0].id) if len(found) == 1 else ""


def _quick_typed(form: CounterForm, press: Press) -> str:
    """The words that become lines, "" for none: those of the quick line; on Enter also those in the search for a
    customer, where no customer is found and every one of them is understood.
    """
    is_enter = press.name == "action" and press.value in ("enter", "find")
    if typed := form.text("entered"):
        form.say(entered="")
        return typed
    is_live = bool(request.headers.get("HX-Request"))  # Enter has taken its words out of the box then
    if press != Press("add", "quick") and (not is_enter or (is_live and form.text("quick"))):
        return ""
    if (typed := form.text("quick")) or press != Press("action", "find") or form.text("customer_id"):
        form.say(quick="")
        return typed
    typed = form.text("find")[:LONGEST_QUICK_LINE]
    if not typed or find_customers(request_session(), typed[:120]):
        return ""
    reading = read_quick_line(current_work(), typed)
    if not reading.lines or reading.not_understood:
        return ""
    form.say(find="")
    return typed


def _page(page: CounterPage, *, focus: str, status: int = 200, offers: Sequence[Draft] = ()) -> ResponseReturnValue:
    shown = render_template("counter/index.html", page=page, focus=focus, offers=offers, pictures=_pictures(page))
    return shown, status


def _pictures(page: CounterPage) -> Pictures:
    """The makers' pictures, for a page that has an answer of Fit to show them in."""
    return pictures(request_session()) if any(line.fit.answered or line.fit.number for line in page.lines) else {}


def _job() -> Job | None:
    """The job that the page revises, from its address; 404 where there is none with this number."""
    number = request.args.get("job", "")
    if not number:
        return None
    if not record_id(number):
        abort(404, "There is no such job on record.")
    return get_job(request_session(), record_id(number))


def _sent() -> CounterForm:
    """The page as it was sent."""
    form = CounterForm(request.form)
    if not 0 < len(form.text("token")) <= 64:
        form.say(token=secrets.token_hex(16))
    return form


def _keep(work: Work, page: CounterPage, job: Job | None) -> bool:
    """Keep the page as a draft, as `keep_apart` says; a full or busy ledger must not stop the sums."""
    try:
        return keep_apart(work, page.form, job, page.priced.ask if page.priced else page.reading.ask)
    except LedgerBusy:
        flash("The draft could not be saved just now; what you typed stands on this page alone.", "caution")
        return False


def _issue_form(page: CounterPage, job: Job | None) -> IssueForm:
    reading = page.reading
    return IssueForm(
        ask=reading.ask,
        token=page.form.text("token"),
        new_customer=reading.new_customer,
        new_site=reading.new_site,
        job_id=job.id if job else None,
        job_version=record_id(request.form.get("job_version")),
        is_another=page.form.text("is_new_customer") == ANOTHER,
    )


def _refused(work: Work, form: CounterForm, job: Job | None, error: BitternError) -> ResponseReturnValue:
    if isinstance(error, (Stale, LedgerBusy, NotAllowed, NotFound, VaultError)):
        raise error
    more: Sequence[Problem] = error.problems
    return _page(build(work, form, asked=True, job=job, more=more), focus="problems", status=422)


def _job_url(number: int) -> str:
    if may("jobs.show"):
        return url_for("jobs.show", number=number)
    return url_for("counter.page", job=number)
