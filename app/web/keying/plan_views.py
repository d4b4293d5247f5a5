"""The pages of planning a system: plans side by side, and starting the one that was chosen."""

from __future__ import annotations

from flask import flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue

from app.errors import BitternError
from app.ledger.keysystems.planning import Planned, customers_to_choose, plan_for, start_planned
from app.ledger.tables import Role
from app.web.access import roles
from app.web.forms_base import typed
from app.web.keying import blueprint
from app.web.keying.fields import attach_plain
from app.web.keying.forms import PlanPage, StartPage
from app.web.services import current_work, request_session

NAMES = {
    "changes_per_master": "changes",
    "expansion_percent": "expansion",
    "customer_id": "customer",
    "system": "name",
}


@blueprint.route("/plan", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def plan() -> ResponseReturnValue:
    """Ask what the system must hold; show two or three ways to build it."""
    form, planned = PlanPage(), None
    form.offer(request_session())
    if form.validate_on_submit():
        try:
            planned = plan_for(current_work(), form.read())
        except BitternError as error:
            attach_plain(form, error, NAMES)
    return _page(form, planned, _start_form(form, planned), 422 if form.is_submitted() and planned is None else 200)


@blueprint.post("/plan/start")
@roles(Role.BENCH)
def start() -> ResponseReturnValue:
    """Start the system by the chosen plan."""
    form, work = StartPage(), current_work()
    form.offer(work.session)
    form.offer_customers(customers_to_choose(work.session))
    if form.validate_on_submit():
        try:
            system = start_planned(
                work,
                form.read(),
                typed(form.sealed),
                typed(form.roles),
                int(typed(form.customer)),
                typed(form.name),
            )
        except BitternError as error:
            attach_plain(form, error, NAMES)
        else:
            flash(f"{system.name} is started: its masters are sealed, changes are added as they are sold.")
            return redirect(url_for("keysystems.show", system_id=system.id), 303)
    return render_template("keying/start.html", form=form), 422


def _start_form(form: PlanPage, planned: Planned | None) -> StartPage | None:
    if planned is None or not planned.sealed:
        return None
    begin = StartPage(formdata=None, data=form.asked)
    begin.offer(request_session())
    begin.offer_customers(customers_to_choose(request_session()))
    begin.sealed.data = planned.sealed
    return begin


def _page(form: PlanPage, planned: Planned | None, begin: StartPage | None, status: int) -> ResponseReturnValue:
    return render_template("keying/plan.html", form=form, planned=planned, begin=begin), status
