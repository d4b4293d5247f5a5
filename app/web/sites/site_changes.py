"""Doors moved to another site, and sites made one: what would be, row by row, then the deed; and the way back."""

from collections.abc import Mapping

from flask import render_template, request
from flask.typing import ResponseReturnValue

from app.errors import Problems
from app.ledger.sites.customer_queries import get_customer, get_site
from app.ledger.sites.door_moves import MovePlan, move_doors, plan_move_undo, plan_moves, undo_move
from app.ledger.sites.site_merging import (
    SiteMergePlan,
    merge_sites,
    plan_site_merge,
    plan_site_undo,
    undo_site_merge,
)
from app.ledger.store.errors import LedgerError
from app.ledger.tables import Role
from app.validation import counted
from app.web.access import owner_only, roles
from app.web.errors import about
from app.web.forms_base import PageForm, SavedForm, boxes_named, flash_and_redirect, one_line, record_id, refusals
from app.web.services import current_work
from app.web.sites.door_changes import chosen_doors, seen_doors
from app.web.sites.doors import blueprint


def _numbers() -> dict[int, str]:
    """The numbers typed for doors that clash, by door."""
    return {record_id(door): number for door, number in boxes_named("number-").items() if record_id(door)}


@blueprint.route("/sites/<int:site_id>/doors/move", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def move(site_id: int) -> ResponseReturnValue:
    """Say where the ticked doors go; then each with its number there; then move them."""
    about(f"site {site_id}")
    work, form = current_work(), PageForm()
    site, chosen = get_site(work.session, site_id), chosen_doors(site_id)
    to_id, name = record_id(request.form.get("to")), one_line(request.form.get("site_name"))
    plan: MovePlan | None = None
    refused: Mapping[str, str] = {}
    if form.validate_on_submit():
        try:
            if request.form.get("deed") == "save":
                to = move_doors(work, site_id, seen_doors(), to_id, name, _numbers())
                count = counted(len(seen_doors()), "door")
                return flash_and_redirect(f"{count} moved to {to.name}.", "doors.site", site_id=to.id)
            plan = plan_moves(work.session, site_id, chosen, to_id, name, _numbers())
        except (Problems, LedgerError) as error:
            refused = refusals(error)
            if any(one.startswith("number-") for one in refused):
                plan = plan_moves(work.session, site_id, chosen, to_id, name, _numbers())
    others = [one for one in get_customer(work.session, site.customer_id).sites if one.id != site_id]
    if plan is not None:
        refused = {one.field: one.message for one in plan.problems} | dict(refused)
    return render_template(
        "sites/move_doors.html",
        form=form,
        site=get_site(work.session, site_id),
        chosen=chosen,
        others=others,
        plan=plan,
        refused=refused,
        to_id=to_id,
        site_name=name,
    ), 422 if refused else 200


@blueprint.route("/sites/<int:site_id>/doors/moves/<int:event_id>", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def move_back(site_id: int, event_id: int) -> ResponseReturnValue:
    """What undoing a move of doors would do, or why it cannot be; on a press, it is done."""
    about(f"site {site_id}")
    work, form = current_work(), PageForm()
    if done := form.run(lambda: undo_move(work, event_id, seen_doors())):
        return flash_and_redirect(f"Undone on {counted(done.value, 'door')}.", "doors.site", site_id=site_id)
    plan, refused = plan_move_undo(work.session, event_id), " ".join(form.form_errors)
    return render_template("sites/move_back.html", form=form, plan=plan, refused=refused), form.status


@blueprint.route("/sites/<int:site_id>/merge", methods=["GET", "POST"])
@owner_only
def merge(site_id: int) -> ResponseReturnValue:
    """Make this site part of another one of its customer: choose it, look at both, then merge."""
    about(f"site {site_id}")
    work, form = current_work(), PageForm()
    site = get_site(work.session, site_id)
    kept_id = record_id(request.values.get("into"))
    plan: SiteMergePlan | None = None
    refused: Mapping[str, str] = {}
    if form.validate_on_submit() and request.form.get("deed") == "save":
        versions = (record_id(request.form.get(one)) for one in ("kept_version", "gone_version"))
        kept_version, gone_version = versions
        try:
            kept = merge_sites(work, (kept_id, kept_version), (site_id, gone_version), _numbers())
        except (Problems, LedgerError) as error:
            refused = refusals(error)
        else:
            return flash_and_redirect(f"They are one site now: {kept.name}.", "doors.site", site_id=kept.id)
    if kept_id:
        try:
            plan = plan_site_merge(work.session, kept_id, site_id, _numbers())
            refused = {f"number-{one.door.id}": one.clash for one in plan.clashes} | dict(refused)
        except LedgerError as error:
            refused = refusals(error)
    others = [one for one in get_customer(work.session, site.customer_id).sites if one.id != site_id]
    return render_template(
        "sites/merge_sites.html", form=form, site=site, others=others, plan=plan, refused=refused
    ), 422 if refused and form.is_submitted() else 200


@blueprint.route("/sites/merges/<int:event_id>", methods=["GET", "POST"])
@owner_only
def unmerge(event_id: int) -> ResponseReturnValue:
    """What undoing a merge of sites would do, or why it cannot be; on a press, it is done."""
    work, form = current_work(), SavedForm()
    if done := form.run(lambda: undo_site_merge(work, event_id, form.version_read)):
        gone = done.value
        return flash_and_redirect(f"{gone.name} is a site of its own again.", "doors.site", site_id=gone.id)
    plan, refused = plan_site_undo(work.session, event_id), " ".join(form.form_errors)
    back = SavedForm(formdata=None, data={"version": plan.kept.version})
    return render_template("sites/unmerge_sites.html", form=back, plan=plan, refused=refused), form.status
