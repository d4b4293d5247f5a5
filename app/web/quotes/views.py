"""A quote's page, its papers, and accepting it."""

from __future__ import annotations

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.documents import owner_quote_pdf, quote_pdf
from app.errors import BitternError, Problem, Problems
from app.ledger.quoting.accepting import AcceptForm, accept_quote
from app.ledger.sites.door_paste import JOB_COLUMNS, DoorRow, read_doors
from app.ledger.tables import Role, Stage
from app.web.access import may, owner_only, roles
from app.web.errors import about
from app.web.files import PDF, send
from app.web.forms_base import attach, typed
from app.web.quotes.accepting import AcceptQuoteForm, cell_problems, read_table, typed_rows
from app.web.quotes.page import REVISION, accept_page, quote_view, ways_to_accept
from app.web.quotes.page import blueprint as blueprint
from app.web.services import current_work


@blueprint.get(REVISION)
@roles(Role.COUNTER, Role.BENCH)
def show(number: int, revision: int) -> ResponseReturnValue:
    """The quote as on paper, and what can be done with it."""
    return render_template("quotes/show.html", view=quote_view(current_work(), number, revision))


@blueprint.get(f"{REVISION}/quote.pdf")
@roles(Role.COUNTER, Role.BENCH)
def pdf(number: int, revision: int) -> ResponseReturnValue:
    """The customer's paper."""
    view = quote_view(current_work(), number, revision)
    return send(quote_pdf(view.snapshot), f"quote-{number}-{revision}.pdf", PDF)


@blueprint.get(f"{REVISION}/owner.pdf")
@owner_only
def owner_pdf(number: int, revision: int) -> ResponseReturnValue:
    """The owner's paper: costs, margin, both ways of keying, why the choice was overridden."""
    view = quote_view(current_work(), number, revision)
    return send(owner_quote_pdf(view.snapshot), f"owner-{number}-{revision}.pdf", PDF)


@blueprint.route("/accept", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def accept(number: int) -> ResponseReturnValue:
    """Turn the newest revision into doors, cylinders and keysets."""
    about(f"job {number}")
    work = current_work()
    view = quote_view(work, number)
    if view.job.stage is not Stage.QUOTED and request.method == "GET":
        flash(f"Job {number} is {view.job.stage.word}: only a quoted job can be accepted.", "caution")
        return redirect(url_for("quotes.show", number=number, revision=view.revision.revision), 303)
    form = AcceptQuoteForm(obj=view.job)
    form.offer(ways_to_accept(work, view))
    if not form.is_submitted():
        form.accepted_on.data = work.today
        return render_template("quotes/accept.html", page=accept_page(work, view, form), columns=JOB_COLUMNS)
    rows = typed_rows(request.form.items(multi=True))
    doors, problems = _doors(form, rows)
    if form.validate() and not problems:
        try:
            job = accept_quote(
                work,
                view.job.id,
                AcceptForm(
                    accepted_by=typed(form.accepted_by),
                    accepted_on=form.accepted_on.data or work.today,
                    version=form.version_read,
                    po_number=typed(form.po_number),
                    option=typed(form.option) if form.option else "",
                    site_name=typed(form.site_name),
                    doors=doors,
                    override_reason=typed(form.override_reason),
                    lost_reason=typed(form.lost_reason),
                ),
            )
        except BitternError as error:
            problems = _attach(form, error, in_table=bool(rows))
        else:
            count = len(job.cylinders)
            pieces = "1 cylinder is" if count == 1 else f"{count:,} cylinders are"
            flash(f"Quote {number} is accepted. {pieces} saved.")
            if may("jobs.show"):
                return redirect(url_for("jobs.show", number=number), 303)
            return redirect(url_for("quotes.show", number=number, revision=view.revision.revision), 303)
    if not rows:
        form.doors.errors = [*form.doors.errors, *(problem.message for problem in problems)]
        problems = []
    view = quote_view(work, number)
    page = accept_page(work, view, form, rows, cell_problems(problems))
    return render_template("quotes/accept.html", page=page, columns=JOB_COLUMNS), 422


def _doors(form: AcceptQuoteForm, rows: dict[int, dict[str, str]]) -> tuple[tuple[DoorRow, ...], list[Problem]]:
    """The doors out of the table, or out of the pasted list where the table is empty."""
    pasted = typed(form.doors)
    if not rows:
        found, problems = read_doors(pasted)
        return tuple(found), problems
    if pasted.strip():
        return (), [Problem("doors", "Fill in the table or paste a list, not both: empty one of them.")]
    return read_table(rows)


def _attach(form: AcceptQuoteForm, error: BitternError, *, in_table: bool) -> list[Problem]:
    """Put a refusal beside its field; what belongs to the doors is given back."""
    problems = error.problems
    mine = [problem for problem in problems if problem.field == "doors"]
    others = [Problem("site_name" if p.field == "site" else p.field, p.message) for p in problems if p not in mine]
    if others and not isinstance(error, Problems) and others[0].field == error.field:
        attach(form, error)  # a stale save and its like have pages of their own
    elif others:
        attach(form, Problems(others))
    return mine
