"""The page of a construction keyed job: each door until the contractors' key turns nothing there any more."""

import secrets

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue
from wtforms import SelectMultipleField
from wtforms.validators import InputRequired

from app.ledger.catalog.price_queries import CONSTRUCTION_KEPT
from app.ledger.jobs.construction import SWAPPED, bring_cores_back, construction_of, mark_dead
from app.ledger.jobs.queries import get_job
from app.ledger.quoting.issuing import keep_draft
from app.ledger.store.errors import NotFound
from app.ledger.tables import LineKind, Role
from app.validation import counted
from app.web.access import roles
from app.web.errors import about
from app.web.fields import DayField
from app.web.forms_base import PageForm, flash_and_redirect, record_id
from app.web.services import current_work

blueprint = Blueprint("construction", __name__)


class ConstructionPage(PageForm):
    """The doors that are ticked, and the day."""

    cylinders = SelectMultipleField("Doors", name="cylinder", validate_choice=False)
    on = DayField("Day", [InputRequired("Enter the day.")])


@blueprint.route("/jobs/<int:number>/construction", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def page(number: int) -> ResponseReturnValue:
    """How far a construction keyed job is; a press says of the doors ticked that they are dead, or back."""
    work = current_work()
    job = get_job(work.session, number)
    form = ConstructionPage(on=work.today)
    about(f"job {number}", form)
    found = construction_of(work.session, job, work.today)
    if found is None:
        raise NotFound("construction keying of this job")
    is_undone = request.form.get("deed") == "undo"

    def mark() -> int:
        ticked = {record_id(one) for one in form.cylinders.data or ()}
        if found.is_of_cores:
            return bring_cores_back(work, number, ticked, form.on.data, is_back=not is_undone)
        return mark_dead(work, number, ticked, form.on.data, is_dead=not is_undone)

    if done := form.run(mark):
        noun, what = ("construction core", "back") if found.is_of_cores else ("door", "made dead")
        said = f"{counted(done.value, noun)} {'not ' if is_undone else ''}{what}."
        return flash_and_redirect(said, "construction.page", number=number)
    return render_template("jobs/construction.html", job=job, found=found, form=form), form.status


@blueprint.post("/jobs/<int:number>/construction/kept")
@roles(Role.COUNTER)
def charge_kept(number: int) -> ResponseReturnValue:
    """A draft quote of the construction cores that did not come back, on the counter page."""
    work = current_work()
    job = get_job(work.session, number)
    found = construction_of(work.session, job, work.today)
    kept = found.count(SWAPPED) if found else 0
    if not kept:
        return flash_and_redirect("Every construction core is back.", "jobs.show", number=number)
    line = {"kind": LineKind.HARDWARE.value, "quantity": str(kept), "price_code": CONSTRUCTION_KEPT}
    typed = {
        "customer_id": str(job.customer_id),
        "site_id": str(job.site_id or ""),
        "title": f"Construction cores of job {number} that were not brought back",
        "lines": [line],
    }
    token, _ = keep_draft(work, secrets.token_hex(16), typed)
    return flash_and_redirect("The cores stand here as a draft quote.", "counter.page", draft=token)
