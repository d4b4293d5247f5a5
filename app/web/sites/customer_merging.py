"""Customers made one and parted: what each has before and after, then the deed; and the way back."""

from collections.abc import Mapping

from flask import render_template, request
from flask.typing import ResponseReturnValue

from app.errors import Problems
from app.ledger.merging.customer_merging import (
    CustomerMergePlan,
    MergeForm,
    merge_customers,
    plan_merge,
    plan_unmerge,
    unmerge_customers,
)
from app.ledger.merging.customer_splitting import (
    SplitForm,
    SplitPlan,
    plan_split,
    plan_unsplit,
    split_customer,
    unsplit_customer,
)
from app.ledger.merging.holdings import NAMES
from app.ledger.sites.customer_queries import (
    customer_jobs,
    customer_systems,
    doors_by_site,
    doors_of_customer,
    find_customers,
    get_customer,
    like_customer,
)
from app.ledger.store.errors import LedgerError
from app.ledger.tables import Customer
from app.web.access import owner_only
from app.web.errors import about
from app.web.forms_base import PageForm, SavedForm, boxes_named, flash_and_redirect, one_line, record_id, refusals
from app.web.query_args import read_text
from app.web.services import current_work, request_session
from app.web.sites.customers import blueprint

_MOST_JOBS = 400


@blueprint.get("/<int:customer_id>/merge")
@owner_only
def merge(customer_id: int) -> ResponseReturnValue:
    """Choose the customer that is the same one: those that are like it, or that a search finds."""
    session, text = request_session(), read_text(request.args)
    customer = get_customer(session, customer_id)
    found = find_customers(session, text) if text else [one.customer for one in like_customer(session, customer)]
    found = [one for one in found if one.id != customer_id]
    return render_template("sites/merge.html", customer=customer, found=found, text=text)


@blueprint.route("/<int:customer_id>/merge/<int:gone_id>", methods=["GET", "POST"])
@owner_only
def merge_plan(customer_id: int, gone_id: int) -> ResponseReturnValue:
    """Both customers before, and the one after; on a press, they are merged."""
    about(f"customer {customer_id}")
    work, form = current_work(), PageForm()
    refused: Mapping[str, str] = {}
    asked = _merge_form(customer_id, gone_id)
    if form.validate_on_submit():
        try:
            kept = merge_customers(work, asked)
        except (Problems, LedgerError) as error:
            refused = refusals(error)
        else:
            said = f"They are one customer now: {kept.name}."
            return flash_and_redirect(said, "customers.show", customer_id=kept.id)
    plan: CustomerMergePlan = plan_merge(work, asked)
    return render_template(
        "sites/merge_plan.html",
        form=form,
        plan=plan,
        names=NAMES,
        refused={one.field: one.message for one in plan.problems} | dict(refused),
        reason=asked.reason,
    ), form.status


def _merge_form(kept_id: int, gone_id: int) -> MergeForm:
    versions = (record_id(request.form.get(name)) for name in ("kept", "gone"))
    kept, gone = versions
    names, reason = boxes_named("name-"), one_line(request.form.get("reason"))
    return MergeForm((kept_id, kept), (gone_id, gone), names, reason)


@blueprint.route("/merges/<int:event_id>", methods=["GET", "POST"])
@owner_only
def unmerge(event_id: int) -> ResponseReturnValue:
    """What undoing a merge would do, or why it cannot be; on a press, it is done."""
    work, form = current_work(), SavedForm()
    if done := form.run(lambda: unmerge_customers(work, event_id, form.version_read)):
        gone = done.value
        return flash_and_redirect(
            f"{gone.name} is a customer of its own again.", "customers.show", customer_id=gone.id
        )
    plan, refused = plan_unmerge(work, event_id), " ".join(form.form_errors)
    back = SavedForm(formdata=None, data={"version": plan.kept.version})
    return render_template("sites/unmerge.html", form=back, plan=plan, names=NAMES, refused=refused), form.status


@blueprint.route("/<int:customer_id>/split", methods=["GET", "POST"])
@owner_only
def split(customer_id: int) -> ResponseReturnValue:
    """Choose what goes to another customer, or a new one; then before and after; then save."""
    about(f"customer {customer_id}")
    work, form = current_work(), SavedForm()
    plan: SplitPlan | None = None
    refused: Mapping[str, str] = {}
    customer = get_customer(work.session, customer_id)
    if form.validate_on_submit():
        try:
            asked = _split_form(customer, form.version_read)
            if request.form.get("deed") == "save":
                target = split_customer(work, asked)
                said = f"{target.name} has it now; {customer.name} keeps the rest."
                return flash_and_redirect(said, "customers.show", customer_id=target.id)
            plan = plan_split(work, asked)
        except (Problems, LedgerError) as error:
            refused = refusals(error)
        if plan is not None:
            refused = {one.field: one.message for one in plan.problems}
    session = work.session
    customer = get_customer(session, customer_id)
    return render_template(
        "sites/split.html",
        form=form if form.is_submitted() else SavedForm(formdata=None, data={"version": customer.version}),
        customer=customer,
        plan=plan,
        names=NAMES,
        refused=refused,
        systems=customer_systems(session, customer_id),
        jobs=customer_jobs(session, customer_id, _MOST_JOBS),
        doors=doors_by_site(session, customer_id),
        openings=doors_of_customer(session, customer_id),
        typed=request.form,
        chosen={kind: set(request.form.getlist(kind)) for kind in ("site", "system", "door", "job", "contact")},
    ), form.status


def _split_form(customer: Customer, version: int) -> SplitForm:
    def ids(kind: str) -> frozenset[int]:
        return frozenset(found for one in request.form.getlist(kind) if (found := record_id(one)))

    name, to_id = one_line(request.form.get("name")), 0
    if request.form.get("whose") == "known":
        alike = [one for one in find_customers(request_session(), name) if one.id != customer.id]
        exact = [one for one in alike if one.name.casefold() == name.casefold()] or alike
        if len(exact) != 1:
            named = ", ".join(one.name for one in exact[:6])
            told = f"That may be {named}: enter the whole name." if exact else "Nobody on record is called so."
            raise LedgerError("name", told)
        to_id = exact[0].id
    return SplitForm(
        *(customer.id, version, to_id, name[:120]),
        *(ids("site"), ids("system"), ids("door"), ids("job"), ids("contact")),
        site_name=one_line(request.form.get("site_name"))[:120],
        names=boxes_named("name-"),
        numbers={record_id(door): number for door, number in boxes_named("number-").items()},
        reason=one_line(request.form.get("reason")),
    )


@blueprint.route("/splits/<int:event_id>", methods=["GET", "POST"])
@owner_only
def unsplit(event_id: int) -> ResponseReturnValue:
    """What undoing a split would do, or why it cannot be; on a press, it is done."""
    work, form = current_work(), SavedForm()
    if done := form.run(lambda: unsplit_customer(work, event_id, form.version_read)):
        source = done.value
        return flash_and_redirect(f"It is back with {source.name}.", "customers.show", customer_id=source.id)
    plan, refused = plan_unsplit(work, event_id), " ".join(form.form_errors)
    back = SavedForm(formdata=None, data={"version": plan.source.version})
    return render_template("sites/unsplit.html", form=back, plan=plan, names=NAMES, refused=refused), form.status
