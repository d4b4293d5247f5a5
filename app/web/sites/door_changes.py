"""Fields set on many doors at once, doors made into one, and changes undone."""

from collections.abc import Mapping

from flask import render_template, request
from flask.typing import ResponseReturnValue
from wtforms import SelectField

from app.errors import BitternError, Problem, Problems
from app.ledger.sites.customer_queries import get_site
from app.ledger.sites.door_history import UNDOABLE, plan_undo, site_story, undo_change
from app.ledger.sites.door_paste import HANDS
from app.ledger.sites.door_queries import door_ids
from app.ledger.sites.doors import BULK_FIELDS, change_doors, plan_change
from app.ledger.sites.duplicate_doors import find_alike, merge_doors
from app.ledger.store.errors import LedgerError
from app.ledger.tables import Door, Lock, Role
from app.validation import counted
from app.web.access import roles
from app.web.errors import about
from app.web.forms_base import PageForm, attach, flash_and_redirect, one_line, record_id, text, typed
from app.web.services import current_work, request_session
from app.web.sites.doors import blueprint


@blueprint.route("/sites/<int:site_id>/doors/alike", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def alike(site_id: int) -> ResponseReturnValue:
    """Doors whose number or location is the same; POST merges one into another."""
    about(f"site {site_id}")
    work = current_work()
    refused: tuple[Problem, ...] = ()
    site = get_site(work.session, site_id)
    if request.method == "POST":
        try:
            kept = merge_doors(work, _sent("keep"), _sent("gone"))
        except (Problems, LedgerError) as error:
            if not error.field.startswith("keep"):
                raise
            refused = error.problems
        else:
            return flash_and_redirect(
                f"They are one door now: {kept.opening_number}.", "doors.alike", site_id=site_id
            )
    groups = find_alike(work.session, site_id)
    return render_template(
        "sites/duplicate_doors.html", site=site, groups=groups, refused=refused
    ), 422 if refused else 200


def _sent(name: str) -> tuple[int, int]:
    """A door and its version from "12:3"; LedgerError on `keep` when none was chosen."""
    door, _, version = request.form.get(name, "").partition(":")
    if not (record_id(door) and record_id(version)):
        raise LedgerError("keep", "Choose which door stays, and which goes.")
    return record_id(door), record_id(version)


_MOST = 5000
_YES_NO = {"no": "no", "yes": "yes"}


class TogetherForm(PageForm):
    """A value for each field; only those whose box `set-…` is ticked are set, and looked at, by the use case."""

    location = text("Location", Door.location)
    hand = SelectField("Hand", validate_choice=False, choices={hand: hand or "not known" for hand in HANDS})
    thickness = text("Thickness, in", 40)
    stile = text("Stile, in", 40)
    lock = text("Lock", Lock.description)
    function = text("Function", Lock.function)
    egress = SelectField("Exit door", validate_choice=False, choices=_YES_NO)
    fire_rated = SelectField("Fire-rated", validate_choice=False, choices=_YES_NO)
    remarks = text("Remarks", Door.remarks)

    def asked(self) -> dict[str, str]:
        """The ticked fields and their values, in the order of BULK_FIELDS."""
        return {name: typed(self[_key(name)]) for name in BULK_FIELDS if f"set-{_key(name)}" in request.form}


def _key(field: str) -> str:
    return field.replace(" ", "_")


@blueprint.route("/sites/<int:site_id>/doors/change", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def change(site_id: int) -> ResponseReturnValue:
    """Choose fields for the chosen doors; then what each would be before and after; then save."""
    about(f"site {site_id}")
    work, form = current_work(), TogetherForm()
    site, chosen = get_site(work.session, site_id), chosen_doors(site_id)
    changes = None
    if form.validate_on_submit():
        try:
            values = form.asked()
            if "seen" in request.form:
                count = change_doors(work, site_id, seen_doors(), values)
                return flash_and_redirect(
                    f"{count:,} {'door is' if count == 1 else 'doors are'} changed.", "doors.site", site_id=site_id
                )
            changes = plan_change(work.session, site_id, chosen, values)
        except BitternError as error:
            attach(form, error if error.field != "fire rated" else BitternError("fire_rated", error.message))
    if changes is not None:
        seen = [(change.door_id, change.version) for change in changes]
        return render_template("sites/change_plan.html", site=site, changes=changes, values=values, versions=seen)
    return render_template(
        "sites/change_doors.html",
        form=form,
        site=site,
        chosen=chosen,
        fields=[(_key(name), form[_key(name)]) for name in BULK_FIELDS],
        ticked={name for name in BULK_FIELDS if f"set-{_key(name)}" in request.form},
    ), form.status


def chosen_doors(site_id: int) -> list[int]:
    """The doors that were ticked, or all that answer to the sifting where that box was ticked."""
    if request.values.get("all"):
        return door_ids(request_session(), site_id, one_line(request.values.get("q"))[:120])
    sent = (one for word in request.values.getlist("door") for one in word.split(","))
    return list(dict.fromkeys(found for one in sent if (found := record_id(one))))[:_MOST]


def seen_doors() -> Mapping[int, int]:
    """Door → version, as the page with before and after had them."""
    pairs = (one.partition(":") for one in request.form.get("seen", "").split(","))
    return {record_id(door): record_id(version) for door, _, version in pairs if record_id(door)}


@blueprint.get("/sites/<int:site_id>/doors/history")
@roles(Role.COUNTER, Role.BENCH)
def history(site_id: int) -> ResponseReturnValue:
    """What happened to a site's doors together."""
    session = request_session()
    site = get_site(session, site_id)
    return render_template(
        "sites/door_history.html", site=site, events=site_story(session, site_id, 200), undoable=UNDOABLE
    )


@blueprint.route("/sites/<int:site_id>/doors/history/<int:event_id>", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def take_back(site_id: int, event_id: int) -> ResponseReturnValue:
    """What taking one change back would do; on a press, it is done."""
    about(f"site {site_id}")
    work, form = current_work(), PageForm()
    site = get_site(work.session, site_id)
    if form.validate_on_submit():
        count = undo_change(work, site_id, event_id, seen_doors())
        return flash_and_redirect(f"Undone on {counted(count, 'door')}.", "doors.site", site_id=site_id)
    plan = plan_undo(work.session, site_id, event_id)
    return render_template("sites/undo_change.html", form=form, site=site, plan=plan)
