"""The owner's day, the rows behind each of its figures, and the follow-up list that the counter works through."""

from __future__ import annotations

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.documents import day_list_xlsx, lapsing_list
from app.errors import BitternError
from app.ledger.jobs.stages import lose_quote
from app.ledger.reports.lapsing import lapsing_quotes
from app.ledger.reports.outcomes import PERIODS, past_reasons
from app.ledger.tables import Role
from app.web.access import roles
from app.web.day.forms import WITHIN, LostForm, read_period, read_within
from app.web.day.lists import a_list
from app.web.day.page import day_page
from app.web.files import XLSX, send
from app.web.forms_base import attach, typed
from app.web.services import current_work

blueprint = Blueprint("day", __name__, url_prefix="/day")


@blueprint.get("")
@roles()
def index() -> ResponseReturnValue:
    """What the owner looks at first."""
    days = read_period(request.args)
    return render_template("day/index.html", page=day_page(current_work(), days), periods=PERIODS)


@blueprint.get("/<name>")
@roles()
def show(name: str) -> ResponseReturnValue:
    """The rows behind a figure."""
    found = a_list(current_work(), name, request.args)
    if found is None:
        abort(404)
    return render_template("day/list.html", found=found, asked=request.args)


@blueprint.get("/<name>.xlsx")
@roles()
def sheet(name: str) -> ResponseReturnValue:
    """The same rows as a spreadsheet."""
    work = current_work()
    found = a_list(work, name, request.args)
    if found is None:
        abort(404)
    return send(day_list_xlsx(found, work.today), f"{found.name}-{work.today.isoformat()}.xlsx", XLSX)


@blueprint.route("/follow-up", methods=["GET", "POST"])
@roles(Role.COUNTER)
def follow_up() -> ResponseReturnValue:
    """Quotes about to lapse: whom to ring; and what came of it where it was lost."""
    work, form = current_work(), LostForm()
    if form.validate_on_submit():
        try:
            job = lose_quote(work, int(typed(form.quote)), typed(form.reason))
        except BitternError as error:
            attach(form, error)
        else:
            flash(f"Job {job.number} is lost, because: {job.reason}")
            return redirect(url_for("day.follow_up", within=read_within(request.args)), 303)
    within = read_within(request.args)
    return render_template(
        "day/follow_up.html",
        form=form,
        quotes=lapsing_quotes(work.session, work.today, within),
        within=within,
        choices=WITHIN,
        reasons=past_reasons(work.session),
    ), 422 if form.is_submitted() else 200


@blueprint.get("/follow-up.xlsx")
@roles(Role.COUNTER)
def follow_up_sheet() -> ResponseReturnValue:
    """The follow-up list as a spreadsheet."""
    work = current_work()
    found = lapsing_list(lapsing_quotes(work.session, work.today, read_within(request.args)), "Quotes to follow up")
    return send(day_list_xlsx(found, work.today), f"{found.name}-{work.today.isoformat()}.xlsx", XLSX)
