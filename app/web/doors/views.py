"""Pages about sites and their doors."""

from __future__ import annotations

__all__ = ["blueprint"]

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.errors import BitternError
from app.ledger.doors.actions import change_door
from app.ledger.doors.cautions import cautions_of
from app.ledger.doors.queries import get_door, job_numbers, list_sites, site_doors
from app.ledger.events.queries import events_of
from app.ledger.users.models import Role
from app.web.access import roles
from app.web.doors.forms import DoorEditForm
from app.web.errors import about
from app.web.forms_base import attach
from app.web.listing import count_pages, read_page, read_text
from app.web.services import current_work, request_session

blueprint = Blueprint("doors", __name__)


@blueprint.get("/doors")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """Sites by customer."""
    text, page = read_text(request.args), read_page(request.args)
    sites, count = list_sites(request_session(), text, page)
    return render_template(
        "doors/index.html", sites=sites, count=count, text=text, page=page, pages_count=count_pages(count)
    )


@blueprint.get("/sites/<int:site_id>/doors")
@roles(Role.COUNTER, Role.BENCH)
def site(site_id: int) -> ResponseReturnValue:
    """A site's doors with what is on each."""
    text = read_text(request.args)
    page = site_doors(request_session(), site_id, text, read_page(request.args))
    return render_template("doors/site.html", page=page, text=text, cautions_of=cautions_of)


@blueprint.get("/doors/<int:door_id>")
@roles(Role.COUNTER, Role.BENCH)
def door(door_id: int) -> ResponseReturnValue:
    """One door, every cylinder that was ever on it, and what happened to it."""
    session = request_session()
    found = get_door(session, door_id)
    jobs = job_numbers(session, [cylinder.job_id for cylinder in found.cylinders])
    events = events_of(session, f"door {door_id}")
    return render_template("doors/door.html", door=found, jobs=jobs, events=events, cautions=cautions_of(found))


@blueprint.route("/doors/<int:door_id>/edit", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def edit(door_id: int) -> ResponseReturnValue:
    """Change what is on record about a door."""
    about(f"door {door_id}")
    work = current_work()
    form = DoorEditForm.filled_from(get_door(work.session, door_id))
    if form.validate_on_submit():
        try:
            saved = change_door(work, door_id, form.version_read, form.asked())
        except BitternError as error:
            attach(form, error)
        else:
            flash(f"Door {saved.opening_number} is saved.")
            return redirect(url_for("doors.door", door_id=door_id), 303)
    found = get_door(work.session, door_id)
    return render_template("doors/edit.html", form=form, door=found), 422 if form.is_submitted() else 200
