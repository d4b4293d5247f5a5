"""Two revisions side by side, and a quote issued anew at today's prices."""

from __future__ import annotations

import secrets

from flask import abort, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.errors import Problem, Problems
from app.ledger.jobs.queries import get_job
from app.ledger.quoting.issuing import Comparison, Requote, keep_requote, requote
from app.ledger.quoting.snapshot import QuoteSnapshot, read_snapshot
from app.ledger.store.errors import LedgerError
from app.ledger.tables import Job, Role
from app.web.access import roles
from app.web.errors import about
from app.web.forms_base import SavedForm, flash_and_redirect, text, typed
from app.web.quotes.page import blueprint
from app.web.services import current_work


class RequoteForm(SavedForm):
    """One press that issues the quote anew; `token` ties it to one revision, `shown` to what was looked at."""

    token = text("Page", 64, needed="Load the page again.")
    shown = text("Shown", 64, needed="Load the page again.")


@blueprint.get("/compare")
@roles(Role.COUNTER, Role.BENCH)
def compare(number: int) -> ResponseReturnValue:
    """The revision `after` beside `before`; without them the newest beside the one that it replaced."""
    job = get_job(current_work().session, number)
    if len(job.revisions) < 2:
        abort(404, f"Quote {number} has no two revisions to compare.")
    newest = job.revisions[-1].revision
    after = _revision(job, "after", newest)
    before = _revision(job, "before", max(1, after.revision - 1))
    return render_template(
        "quotes/compare.html", job=job, comparison=Comparison(before, after), before=before, after=after
    )


def _revision(job: Job, name: str, usual: int) -> QuoteSnapshot:
    said = request.args.get(name, "")
    wanted = int(said) if said.isascii() and said.isdecimal() and len(said) < 10 else usual
    found = next((each for each in job.revisions if each.revision == wanted), None)
    if found is None:
        abort(404, f"Quote {job.number} has no revision {wanted}.")
    return read_snapshot(found.snapshot)


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
            revision = keep_requote(work, job, typed(form.token), form.version_read, typed(form.shown))
        except Problems as refused:
            problems = refused.problems
        else:
            return flash_and_redirect(
                f"Quote {number} is issued anew at today's prices, as revision {revision.revision}.",
                "quotes.show",
                number=number,
                revision=revision.revision,
            )
    try:
        view: Requote = requote(work, get_job(work.session, number))
    except LedgerError as error:
        flash(error.message, "caution")
        return redirect(url_for("quotes.show", number=number, revision=max(1, len(job.revisions))), 303)
    if not form.is_submitted():
        form.token.data, form.version.data = secrets.token_hex(16), str(view.job.version)
        form.shown.data = view.mark
    return render_template(
        "quotes/requote.html", view=view, form=form, problems=problems or view.problems
    ), form.status
