"""The page of a construction keyed job: each door until the contractors' key turns nothing there any more."""

import secrets
from collections.abc import Collection

from flask import Blueprint, flash, render_template, request
from flask.typing import ResponseReturnValue
from wtforms import SelectMultipleField
from wtforms.validators import InputRequired

from app.ledger.catalog.price_queries import CONSTRUCTION_KEPT
from app.ledger.goods.handing_over import may_part_go
from app.ledger.jobs.construction import (
    BACK,
    KEPT,
    SWAPPED,
    WORKS,
    Construction,
    ConstructionDoor,
    construction_of,
    keys_never_out,
    mark_cores,
    mark_dead,
)
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
    form, found = _read(number)
    is_undone = request.form.get("deed") == "undo"
    if done := form.run(lambda: _mark(form, found, is_undone=is_undone)):
        ticked = [one for one in found.doors if str(one.cylinder.id) in (form.cylinders.data or ())]
        if not is_undone and done.value and (here := _never_out(found, ticked)):
            flash(f"{here} Was one turned in each door all the same? Else undo it.", "caution")
        return flash_and_redirect(_say(found, done.value, is_undone=is_undone), "construction.page", number=number)
    return _show(form, found)


@blueprint.post("/jobs/<int:number>/construction/kept")
@roles(Role.COUNTER)
def charge_kept(number: int) -> ResponseReturnValue:
    """The cores that are ticked are kept by the customer: a draft quote of them on the counter page."""
    form, found = _read(number)
    job, work = found.job, current_work()
    ticked = {record_id(one) for one in form.cylinders.data or ()}
    draft = secrets.token_hex(16)
    done = form.run(lambda: mark_cores(work, number, ticked, form.on.data, KEPT, draft))
    if not done:
        return _show(form, found)
    if not done.value:
        return flash_and_redirect("Nothing changed: these are back, or charged.", "construction.page", number=number)
    line = {"kind": LineKind.HARDWARE.value, "quantity": str(done.value), "price_code": CONSTRUCTION_KEPT}
    typed = {
        "customer_id": str(job.customer_id),
        "site_id": str(job.site_id or ""),
        "title": f"Construction cores of job {number} that were not brought back",
        "lines": [line],
    }
    token, _ = keep_draft(work, draft, typed)
    return flash_and_redirect("The cores stand here as a draft quote.", "counter.page", draft=token)


def _read(number: int) -> tuple[ConstructionPage, Construction]:
    work = current_work()
    form = ConstructionPage(on=work.today)
    about(f"job {number}", form)
    found = construction_of(work.session, get_job(work.session, number), work.today)
    if found is None:
        raise NotFound("construction keying of this job")
    return form, found


def _mark(form: ConstructionPage, found: Construction, *, is_undone: bool) -> int:
    work, number = current_work(), found.job.number
    ticked = {record_id(one) for one in form.cylinders.data or ()}
    if found.is_of_cores:
        return mark_cores(work, number, ticked, form.on.data, SWAPPED if is_undone else BACK)
    return mark_dead(work, number, ticked, form.on.data, is_dead=not is_undone)


def _say(found: Construction, count: int, *, is_undone: bool) -> str:
    noun, what = ("construction core", "back") if found.is_of_cores else ("door", "made dead")
    if not count:
        return f"Nothing changed: none of these was {what}." if is_undone else f"Nothing changed: {what} already."
    return f"{'Undone: ' if is_undone else ''}{counted(count, noun)} {'no longer ' if is_undone else ''}{what}."


def _never_out(found: Construction, doors: Collection[ConstructionDoor]) -> str:
    """What is to be known where doors are made dead by keys that lie here; "" of doors whose keys are out."""
    if found.is_of_cores:
        return ""
    count = keys_never_out(current_work().session, [one.cylinder for one in doors])
    lie_or_lies = "lies" if count == 1 else "lie"
    told = (
        f"{counted(count, 'permanent key')} {lie_or_lies} in the shop, and no key to those doors was ever handed over"
    )
    return f"{told}: a door is made dead by a permanent key turned in it." if count else ""


def _show(form: ConstructionPage, found: Construction) -> ResponseReturnValue:
    job = found.job
    here = _never_out(found, [one for one in found.doors if one.state == WORKS])
    waits = may_part_go(current_work().session, job)
    return render_template(
        "jobs/construction.html", job=job, found=found, form=form, waits=waits, here=here
    ), form.status
