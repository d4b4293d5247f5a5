"""The owner loads a maker's catalog: sent, read in the background, shown, then saved."""

from flask import Blueprint, redirect, render_template, url_for
from flask.typing import ResponseReturnValue

from app.ledger.catalog.catalog_import import CatalogPlan, load_catalog, plan_catalog
from app.ledger.catalog.maker_queries import get_maker
from app.ledger.store.work import Work
from app.web.access import owner_only
from app.web.background import Run, Tell, find_run, known_run, show_run, start_run
from app.web.forms_base import FilePage
from app.web.services import current_work, request_session
from app.web.staged_uploads import StagedUpload, find_upload, stage_upload

blueprint = Blueprint("catalog", __name__, url_prefix="/makers")


def _purpose(maker_id: int) -> str:
    return f"catalog {maker_id}"


def _loading(maker_id: int) -> str:
    return f"load catalog {maker_id}"


@blueprint.route("/<int:maker_id>/catalogue/import", methods=["GET", "POST"])
@owner_only
def send_file(maker_id: int) -> ResponseReturnValue:
    """Take a catalog file and begin to read it."""
    work, form = current_work(), FilePage()
    maker = get_maker(work.session, maker_id)
    if done := form.run(lambda: stage_upload(work, _purpose(maker_id), form.file.data)):
        _plan(maker_id, work, done.value)
        return redirect(url_for("catalog.progress", maker_id=maker_id, token=done.value.token), 303)
    return render_template("catalog/import_catalog.html", form=form, maker=maker), form.status


@blueprint.get("/<int:maker_id>/catalogue/import/<token>")
@owner_only
def progress(maker_id: int, token: str) -> ResponseReturnValue:
    """How far the file is, what it would change, or what is wrong with it."""
    run = find_run(token, (_purpose(maker_id), _loading(maker_id)), current_work())
    maker = get_maker(request_session(), maker_id)
    again = url_for("catalog.progress", maker_id=maker_id, token=token)
    back, title = url_for("catalog.send_file", maker_id=maker_id), f"{maker.name}: {run.name}"
    wrong = run.outcome.problems if run.outcome else ()
    return show_run(run, "catalog/_catalog_run.html", again, back, title, wrong, maker=maker)


@blueprint.post("/<int:maker_id>/catalogue/import/<token>")
@owner_only
def put_on_record(maker_id: int, token: str) -> ResponseReturnValue:
    """Begin to put a catalog that was shown on record."""
    work = current_work()
    waiting = find_upload(work, _purpose(maker_id), token)
    get_maker(work.session, maker_id)
    before = known_run(token)
    if before is None or before.purpose != _loading(maker_id) or before.state != "finished":
        _load(maker_id, work, waiting, before)
    return redirect(url_for("catalog.progress", maker_id=maker_id, token=token), 303)


def _load(maker_id: int, work: Work, waiting: StagedUpload, before: Run | None) -> None:
    shown: CatalogPlan | None = before.outcome if before and before.purpose == _purpose(maker_id) else None

    def load(own: Work, tell: Tell) -> CatalogPlan:
        return load_catalog(own, maker_id, waiting.name, waiting.content, tell, shown)

    start_run(waiting.token, _loading(maker_id), waiting.name, work, load)


def _plan(maker_id: int, work: Work, waiting: StagedUpload) -> None:
    def plan(own: Work, tell: Tell) -> CatalogPlan:
        return plan_catalog(own.session, maker_id, waiting.name, waiting.content, tell)

    start_run(waiting.token, _purpose(maker_id), waiting.name, work, plan)
