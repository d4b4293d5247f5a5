"""Pages about sites and their doors."""

from collections.abc import Sequence

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from wtforms import BooleanField, SelectField

from app.ledger.bench.door_keysets import door_keysets
from app.ledger.goods.warranties import came_back_of
from app.ledger.keysystems.system_queries import customers_keysets
from app.ledger.sites.cautions import cautions_of
from app.ledger.sites.customer_queries import get_site
from app.ledger.sites.cylinders import CylinderForm, add_cylinder, take_out
from app.ledger.sites.door_history import UNDOABLE, door_story, site_story
from app.ledger.sites.door_import import site_list
from app.ledger.sites.door_queries import get_door, job_numbers, list_sites, part_numbers, site_doors
from app.ledger.sites.doors import DoorForm, add_door, change_door
from app.ledger.sites.duplicate_doors import alike_numbers
from app.ledger.sites.former_names import formerly
from app.ledger.tables import Cylinder, Door, Lock, Role
from app.web.access import roles
from app.web.errors import about
from app.web.fields import InchesField
from app.web.files import send_table
from app.web.forms_base import PageForm, SavedForm, area, flash_and_redirect, text, typed
from app.web.query_args import read_page, read_text
from app.web.services import current_work, request_session

_HANDS = {
    "": "not known",
    "LH": "LH, left hand",
    "RH": "RH, right hand",
    "LHR": "LHR, left hand reverse",
    "RHR": "RHR, right hand reverse",
}


class DoorEditForm(SavedForm):
    """Everything that one can say about a door and its lock."""

    opening_number = text("Opening number", Door.opening_number, needed="Enter the opening number.")
    location = text("Location", Door.location)
    hand = SelectField("Hand", choices=_HANDS)
    lock = text("Lock", Lock.description)
    function = text("Function", Lock.function, hint="Office, storeroom, classroom, …")
    thickness = InchesField("Thickness, in", description="As in 1-3/4.")
    stile = InchesField("Stile, in", description="As in 4-1/4.")
    is_egress = BooleanField("Exit door", description="On a way out.")
    is_fire_rated = BooleanField("Fire-rated", description="Door or frame has a label.")
    remarks = area("Remarks", Door.remarks)


def _id(value: object) -> int | None:
    return int(str(value)) or None


class CylinderFoundForm(PageForm):
    """A cylinder that stands on a door, as somebody found it there."""

    position = text("Position", Cylinder.position, needed="Say where on the door it is.", hint="outside, inside, …")
    words = text("What it is", Cylinder.words, needed="Say what it is.", hint="As in mortise cylinder 1-1/8, 626.")
    part_number = text("Part number", Cylinder.part_number)
    keyset_id = SelectField("Keyset", coerce=_id, validate_choice=False)
    remarks = text("Remarks", Cylinder.remarks)

    def offer(self, keysets: Sequence[tuple[int, str]]) -> None:
        """The customer's keysets to choose from, as (id, words)."""
        self.keyset_id.choices = [(0, "not known"), *keysets]


class TakeOutForm(SavedForm):
    """A cylinder that came out of its door."""

    why = text("Why", 200)


blueprint = Blueprint("doors", __name__)


@blueprint.get("/doors")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """Sites by customer."""
    text = read_text(request.args)
    return render_template(
        "sites/index.html", sites=list_sites(request_session(), text, read_page(request.args)), text=text
    )


@blueprint.get("/sites/<int:site_id>/doors")
@roles(Role.COUNTER, Role.BENCH)
def site(site_id: int) -> ResponseReturnValue:
    """A site's doors with what is on each."""
    session, text = request_session(), read_text(request.args)
    found = get_site(session, site_id)
    if found.merged_into_id is not None:
        kept = get_site(session, found.merged_into_id)
        return flash_and_redirect(f"{found.name} was merged into {kept.name}.", "doors.site", site_id=kept.id)
    page = site_doors(session, site_id, text, read_page(request.args))
    return render_template(
        "sites/doors.html",
        site=found,
        formerly=formerly(session, found),
        page=page,
        kinds=part_numbers(page.rows),
        text=text,
        cautions_of=cautions_of,
        story=site_story(session, site_id, limit=8),
        undoable=UNDOABLE,
    )


@blueprint.get("/sites/<int:site_id>/doors.<any(csv, xlsx):kind>")
@roles(Role.COUNTER, Role.BENCH)
def list_file(site_id: int, kind: str) -> ResponseReturnValue:
    """The site's doors as CSV or XLSX, which goes in again as the same list."""
    return send_table(kind, f"doors-{site_id}", "Doors", site_list(request_session(), site_id))


@blueprint.route("/sites/<int:site_id>/doors/new", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def new(site_id: int) -> ResponseReturnValue:
    """Put a door on record by hand."""
    work = current_work()
    place, form = get_site(work.session, site_id), DoorEditForm(version=0)
    if done := form.run(lambda: add_door(work, site_id, form.into(DoorForm))):
        flash(f"Door {done.value.opening_number} is saved.")
        if alike := alike_numbers(work.session, done.value):
            flash(f"It may be {', '.join(alike)}, written differently: look under Doors that may be the same.")
        return redirect(url_for("doors.door", door_id=done.value.id), 303)
    return render_template("sites/new_door.html", form=form, site=place), form.status


@blueprint.get("/doors/<int:door_id>")
@roles(Role.COUNTER, Role.BENCH)
def door(door_id: int) -> ResponseReturnValue:
    """One door, every cylinder that was ever on it, and what happened to it."""
    return _door_page(door_id)


def _door_page(door_id: int, form: CylinderFoundForm | None = None) -> tuple[str, int]:
    session = request_session()
    found = get_door(session, door_id)
    jobs = job_numbers(session, [cylinder.job_id for cylinder in found.cylinders])
    status = 422 if form else 200
    form = form or CylinderFoundForm(formdata=None)
    form.offer(customers_keysets(session, found.site.customer_id))
    return render_template(
        "sites/door.html",
        door=found,
        jobs=jobs,
        times=door_keysets(session, found),
        back=came_back_of(session, [cylinder.id for cylinder in found.cylinders]),
        events=door_story(session, found),
        undoable=UNDOABLE,
        cautions=cautions_of(found),
        form=form,
        out=TakeOutForm(formdata=None),
    ), status


@blueprint.post("/doors/<int:door_id>/cylinders")
@roles(Role.COUNTER, Role.BENCH)
def found_cylinder(door_id: int) -> ResponseReturnValue:
    """Put on record a cylinder that was found on a door."""
    work, form = current_work(), CylinderFoundForm()
    form.offer(customers_keysets(work.session, get_door(work.session, door_id).site.customer_id))
    if done := form.run(lambda: add_cylinder(work, door_id, form.into(CylinderForm))):
        return flash_and_redirect(f"The cylinder {done.value.position} is saved.", "doors.door", door_id=door_id)
    return _door_page(door_id, form)


@blueprint.post("/doors/<int:door_id>/cylinders/<int:cylinder_id>/out")
@roles(Role.COUNTER, Role.BENCH)
def cylinder_out(door_id: int, cylinder_id: int) -> ResponseReturnValue:
    """Put on record that a cylinder came out."""
    about(f"door {door_id}")
    form = TakeOutForm()
    gone = take_out(current_work(), cylinder_id, form.version_read, typed(form.why))
    return flash_and_redirect(
        f"The cylinder {gone.position} is removed from the door; it stays in the history.",
        "doors.door",
        door_id=door_id,
    )


@blueprint.route("/doors/<int:door_id>/edit", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def edit(door_id: int) -> ResponseReturnValue:
    """Change what is on record about a door."""
    about(f"door {door_id}")
    work = current_work()
    found = get_door(work.session, door_id)
    form = DoorEditForm(obj=DoorForm.of(found), version=found.version)
    if done := form.run(lambda: change_door(work, door_id, form.version_read, form.into(DoorForm))):
        return flash_and_redirect(f"Door {done.value.opening_number} is saved.", "doors.door", door_id=door_id)
    found = get_door(work.session, door_id)
    return render_template("sites/edit_door.html", form=form, door=found), form.status
