"""A quote as handed over: its page, its papers, its e-mail, its revisions, and the same quoted anew."""

import secrets
from dataclasses import dataclass
from functools import partial

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.documents import (
    MailText,
    lines_without_cost,
    mail_text,
    owner_quote_pdf,
    quote_message,
    quote_page,
    quote_pdf,
    ways_table,
    whole_job,
)
from app.errors import Problem, Problems
from app.ledger.catalog.quote_rules import quote_rules
from app.ledger.jobs.queries import get_job
from app.ledger.quoting.issuing import Comparison, keep_requote, requote
from app.ledger.quoting.mailing import send_quote
from app.ledger.quoting.snapshot import QuoteSnapshot, read_snapshot
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.numbers import quote_number
from app.ledger.store.work import Work
from app.ledger.tables import Job, QuoteRevision, Role, Stage
from app.web.access import owner_only, roles
from app.web.errors import about
from app.web.files import PDF, send
from app.web.forms_base import SavedForm, flash_and_redirect, text, typed
from app.web.mail import MailedPaper, mail_page
from app.web.services import current_work, the_config

blueprint = Blueprint("quotes", __name__, url_prefix="/quotes/<int(max=999999999):number>")
_REVISION = "/<int(max=999999999):revision>"


@dataclass(frozen=True, slots=True)
class QuoteView:
    """A revision of a job's quote; costs are in the snapshot alone."""

    job: Job
    revision: QuoteRevision
    snapshot: QuoteSnapshot
    is_expired: bool

    @property
    def is_newest(self) -> bool:
        """Whether no other has taken its place."""
        return self.revision is self.job.revisions[-1]

    @property
    def can_accept(self) -> bool:
        """Whether the Accept button stands there."""
        return self.is_newest and self.job.stage is Stage.QUOTED and not self.is_expired

    @property
    def can_revise(self) -> bool:
        """Whether another can be issued."""
        return self.job.stage in (Stage.ASKED, Stage.QUOTED, Stage.LOST)


def quote_view(work: Work, number: int, revision: int | None = None) -> QuoteView:
    """A revision (None: the newest) of the quote of job `number`; NotFound where there is none."""
    job = get_job(work.session, number)
    found = [each for each in job.revisions if revision in (None, each.revision)]
    if not found:
        raise NotFound("quote")
    return QuoteView(job, found[-1], read_snapshot(found[-1].snapshot), found[-1].valid_until < work.today)


def to_quote(number: int, revision: int) -> ResponseReturnValue:
    """Go on to the page of a revision."""
    return redirect(url_for("quotes.show", number=number, revision=revision), 303)


@blueprint.get(_REVISION)
@roles(Role.COUNTER, Role.BENCH)
def show(number: int, revision: int) -> ResponseReturnValue:
    """The quote as on paper, and what can be done with it; for the owner both ways of keying with their costs."""
    work = current_work()
    view = quote_view(work, number, revision)
    is_owner = work.actor.role is Role.OWNER
    return render_template(
        "quotes/show.html",
        view=view,
        paper=quote_page(view.snapshot),
        is_owner=is_owner,
        without_cost=lines_without_cost(view.snapshot) if is_owner else "",
        weighed=[ways_table(choice) for choice in view.snapshot.keying] if is_owner else (),
        whole=whole_job(view.snapshot.keying) if is_owner else None,
    )


@blueprint.get(f"{_REVISION}/quote.pdf")
@roles(Role.COUNTER, Role.BENCH)
def pdf(number: int, revision: int) -> ResponseReturnValue:
    """The customer's paper."""
    view = quote_view(current_work(), number, revision)
    return send(quote_pdf(view.snapshot), f"quote-{number}-{revision}.pdf", PDF)


@blueprint.get(f"{_REVISION}/owner.pdf")
@owner_only
def owner_pdf(number: int, revision: int) -> ResponseReturnValue:
    """The owner's paper: costs, margin, both ways of keying, why the choice was overridden."""
    view = quote_view(current_work(), number, revision)
    return send(owner_quote_pdf(view.snapshot), f"owner-{number}-{revision}.pdf", PDF)


@blueprint.route(f"{_REVISION}/mail", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def mail(number: int, revision: int) -> ResponseReturnValue:
    """Write the e-mail of a quote."""
    work = current_work()
    view = quote_view(work, number, revision)
    frozen = view.snapshot
    sender = the_config().mail_from or frozen.house.email

    def usual() -> tuple[str, MailText]:
        rules = quote_rules(work.session)
        return view.job.customer.email, mail_text(frozen, rules.mail_subject, rules.mail_text, work.actor.name)

    paper = MailedPaper(
        f"Quote {quote_number(number, frozen.revision)}",
        f"quote-{number}-{frozen.revision}.eml",
        url_for("quotes.show", number=number, revision=frozen.revision),
        usual,
        lambda to, words: quote_message(frozen, to, words, sender, work.now),
        partial(send_quote, work, view.revision.id),
    )
    return mail_page(paper, "quotes/mail.html", view=view)


@blueprint.get("/compare")
@roles(Role.COUNTER, Role.BENCH)
def compare(number: int) -> ResponseReturnValue:
    """The revision `after` beside `before`; without them the newest beside the one that it replaced."""
    job = get_job(current_work().session, number)
    if len(job.revisions) < 2:
        abort(404, f"The quote of job {number} has no two revisions to compare.")
    after = _asked_revision(job, "after", job.revisions[-1].revision)
    before = _asked_revision(job, "before", max(1, after.revision - 1))
    return render_template(
        "quotes/compare.html", job=job, comparison=Comparison(before, after), before=before, after=after
    )


def _asked_revision(job: Job, name: str, usual: int) -> QuoteSnapshot:
    said = request.args.get(name, "")
    wanted = int(said) if said.isascii() and said.isdecimal() and len(said) < 10 else usual
    found = next((each for each in job.revisions if each.revision == wanted), None)
    if found is None:
        abort(404, f"The quote of job {job.number} has no revision {wanted}.")
    return read_snapshot(found.snapshot)


class RequoteForm(SavedForm):
    """One press that issues the quote anew; `token` ties it to one revision, `shown` to what was looked at."""

    token = text("Page", 64, needed="Load the page again.")
    shown = text("Shown", 64, needed="Load the page again.")


@blueprint.route("/requote", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def requote_page(number: int) -> ResponseReturnValue:
    """What the same request comes to today, line by line; kept as the next revision at one press."""
    about(f"job {number}")
    work, form = current_work(), RequoteForm()
    job = get_job(work.session, number)
    problems: tuple[Problem, ...] = ()
    if form.validate_on_submit():
        try:
            revision = keep_requote(work, job, typed(form.token), form.version_read, typed(form.shown)).revision
        except Problems as refused:
            problems = refused.problems
        else:
            said = f"Quote {quote_number(number, revision)} is issued anew at today's prices."
            return flash_and_redirect(said, "quotes.show", number=number, revision=revision)
    try:
        view = requote(work, get_job(work.session, number))
    except LedgerError as error:
        flash(error.message, "caution")
        return to_quote(number, max(1, len(job.revisions)))
    if not form.is_submitted():
        form.token.data, form.version.data = secrets.token_hex(16), str(view.job.version)
        form.shown.data = view.mark
    return render_template(
        "quotes/requote.html", view=view, form=form, problems=problems or view.problems
    ), form.status
