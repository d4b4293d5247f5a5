"""The owner's page about logins: which are open, and when they are asked again."""

from __future__ import annotations

from flask import Blueprint, flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue

from app.errors import BitternError
from app.ledger.people.login_rules import Proof, get_rules, set_rules
from app.ledger.people.sessions import Limits, end_by_number, list_open
from app.ledger.store.event_queries import events_of
from app.web.access import proven, roles
from app.web.errors import about
from app.web.forms_base import attach
from app.web.house.logins_form import LoginRulesForm
from app.web.services import current_work, request_session, the_config, the_time

blueprint = Blueprint("logins", __name__, url_prefix="/house/logins")


@blueprint.route("", methods=["GET", "POST"])
@roles()
@proven(Proof.LOGINS)
def index() -> ResponseReturnValue:
    """The rules for logins, and every login that is open."""
    form = LoginRulesForm(obj=get_rules(request_session()))
    about("logins", form)
    if form.validate_on_submit():
        try:
            set_rules(current_work(), form.read(), form.version_read)
        except BitternError as error:
            attach(form, error)
        else:
            flash("The rules for logins are saved.")
            return redirect(url_for("logins.index"), 303)
    limits = Limits.of(the_config())
    return render_template(
        "house/logins.html",
        form=form,
        logins=list_open(request_session(), the_time(), limits),
        events=events_of(request_session(), "logins", limit=5),
    ), 422 if form.is_submitted() else 200


@blueprint.post("/<int:number>/end")
@roles()
@proven(Proof.LOGINS)
def end(number: int) -> ResponseReturnValue:
    """End somebody's login."""
    flash(f"A login of {end_by_number(current_work(), number)} has ended.")
    return redirect(url_for("logins.index"), 303)
