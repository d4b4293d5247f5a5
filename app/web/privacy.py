"""Settings, Personal data: all that is kept about somebody in one file; its deletion, shown before it is done."""

from flask import Blueprint, abort, render_template, request
from flask.typing import ResponseReturnValue

from app.ledger.care.backups import earlier_copies
from app.ledger.care.place import files_folder
from app.ledger.catalog.price_queries import find_house
from app.ledger.people.login_rules import Proof
from app.ledger.privacy.deleting import (
    DeletionForm,
    DeletionPlan,
    delete_person,
    destroy_key,
    list_deletions,
    plan_deletion,
)
from app.ledger.privacy.kept import kept_about
from app.ledger.privacy.scrubbing import scrub
from app.ledger.privacy.subjects import SUBJECTS, find_subjects
from app.ledger.tables import Customer
from app.web.access import owner_only, proven
from app.web.files import ZIP, send
from app.web.forms_base import PageForm, area, flash_and_redirect, record_id, text, typed
from app.web.query_args import read_text
from app.web.services import current_work, request_session, the_config
from app.web.staged_uploads import drop_every_upload
from app.web.unsaved_text import clean_unsaved


class PersonPage(PageForm):
    """What the owner says about a deletion."""

    also = area(
        "Also written as",
        2000,
        hint="Former names, a surname alone, further phones or addresses: one a line. Each is looked for everywhere.",
    )
    name = text("The name, to confirm", Customer.name, hint="As it stands above.")


blueprint = Blueprint("privacy", __name__, url_prefix="/house/personal-data")


@blueprint.get("")
@owner_only
def index() -> ResponseReturnValue:
    """Find whom it is about; every deletion, until when earlier copies can be read, and its key."""
    session, sought = request_session(), read_text(request.args)
    deletions = list_deletions(session)
    return render_template(
        "privacy/index.html",
        sought=sought,
        found=find_subjects(current_work(), sought),
        deletions=[(one, earlier_copies(session, the_config(), one.at)) for one in deletions],
    )


@blueprint.get("/<who>/<int:subject_id>")
@owner_only
def person(who: str, subject_id: int) -> ResponseReturnValue:
    """What is kept about somebody, and what a deletion would do."""
    return _page(PersonPage(), _plan(who, subject_id)), 200


@blueprint.post("/<who>/<int:subject_id>/show")
@owner_only
def show(who: str, subject_id: int) -> ResponseReturnValue:
    """The same, with further words looked for too."""
    form = PersonPage()
    return _page(form, _plan(who, subject_id, typed(form.also)), _ticked("among"), _ticked("file")), form.status


@blueprint.post("/<who>/<int:subject_id>/file")
@owner_only
@proven(Proof.COPIES)
def download(who: str, subject_id: int) -> ResponseReturnValue:
    """All that is kept about somebody, in one file; that it left is recorded."""
    work, config, form = current_work(), the_config(), PersonPage()
    folders = (config.deletions_folder, files_folder(config))
    plan, among = _plan(who, subject_id, typed(form.also)), _ticked("among")
    left = None if among is None else _left(plan, among)
    content = kept_about(work, *folders, who, subject_id, typed(form.also), left, _ticked("file") or ())
    return send(content, f"{who}-{subject_id}.zip", ZIP)


@blueprint.post("/<who>/<int:subject_id>")
@owner_only
@proven(Proof.COPIES)
def delete(who: str, subject_id: int) -> ResponseReturnValue:
    """Delete what was shown."""
    work, config, form = current_work(), the_config(), PersonPage()
    plan, among, files = _plan(who, subject_id, typed(form.also)), _ticked("among"), _ticked("file")
    left = () if among is None else _left(plan, among)
    values = DeletionForm(typed(form.name), typed(form.also), left, files or ())
    folders = (config.deletions_folder, files_folder(config))
    if done := form.run(lambda: delete_person(work, *folders, who, subject_id, values)):
        clean_unsaved(done.value.clean)
        drop_every_upload()
        scrub(work.session, work.now)
        return flash_and_redirect(f"Deleted: it reads {done.value.put} from now on.", "privacy.index")
    return _page(form, plan, among, files), form.status


@blueprint.post("/deletions/<int:deletion>/key")
@owner_only
@proven(Proof.COPIES)
def end_key(deletion: int) -> ResponseReturnValue:
    """Destroy a deletion's key."""
    destroy_key(current_work(), the_config().deletions_folder, deletion)
    return flash_and_redirect(f"The key of deletion {deletion} is destroyed.", "privacy.index")


@blueprint.post("/scrub")
@owner_only
def write_anew() -> ResponseReturnValue:
    """Write the database's file anew, where somebody kept it busy before."""
    is_done = scrub(current_work().session, current_work().now)
    said = (
        "The database is written anew." if is_done else "Somebody keeps the database busy; press again in a minute."
    )
    return flash_and_redirect(said, "privacy.index")


def _require_known(who: str) -> None:
    if who not in SUBJECTS:
        abort(404)


def _plan(who: str, subject_id: int, also: str = "") -> DeletionPlan:
    _require_known(who)
    return plan_deletion(current_work(), the_config().deletions_folder, who, subject_id, also)


def _left(plan: DeletionPlan, among: tuple[int, ...]) -> tuple[int, ...]:
    """Customers whose box is not ticked."""
    return tuple(one for one, _ in plan.customers if one not in among)


def _ticked(name: str) -> tuple[int, ...] | None:
    """The numbers of the boxes of a name that are ticked; None where the page had none of them."""
    if not request.form.get(f"{name}-shown"):
        return None
    return tuple(record_id(one) for one in request.form.getlist(name))


def _page(
    form: PersonPage, plan: DeletionPlan, among: tuple[int, ...] | None = None, files: tuple[int, ...] | None = None
) -> str:
    session, config = request_session(), the_config()
    house = find_house(session)
    if among is None:
        among = tuple(one for one, _ in plan.customers if one not in plan.doubtful)
    return render_template(
        "privacy/person.html",
        form=form,
        plan=plan,
        among=among,
        files=files or (),
        copies=earlier_copies(session, config, current_work().now),
        keep_years=house.keep_years if house else 0,
    )
