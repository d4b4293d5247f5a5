"""Settings, Export and import: the whole house as tables; an import is shown before anything is saved."""

from flask import Blueprint, abort, render_template, request
from flask.typing import ResponseReturnValue

from app.errors import BitternError, Problem
from app.ledger.moving.export_file import KINDS, export_house
from app.ledger.moving.importing import import_house, plan_house
from app.ledger.moving.tables import TABLES
from app.ledger.people.login_rules import Proof
from app.web.access import owner_only, proven
from app.web.errors import about
from app.web.files import XLSX, send
from app.web.forms_base import FilePage, attach, flash_and_redirect
from app.web.services import current_work
from app.web.staged_uploads import drop_upload, find_upload, stage_upload

blueprint = Blueprint("moving", __name__, url_prefix="/house/export")
_PURPOSE = "house"


@blueprint.route("", methods=["GET", "POST"])
@owner_only
def index() -> ResponseReturnValue:
    """Export everything; send an export, and see what it would do here."""
    work, form = current_work(), FilePage()
    problems: tuple[Problem, ...] = ()
    if form.validate_on_submit():
        try:
            waiting = stage_upload(work, _PURPOSE, form.file.data)
            plan = plan_house(work, waiting.name, waiting.content)
        except BitternError as error:
            attach(form, BitternError("file", error.message))
        else:
            problems = plan.problems
            if not problems:
                return render_template("moving/plan.html", plan=plan, waiting=waiting)
            drop_upload(waiting.token)
    return render_template("moving/index.html", form=form, problems=problems, tables=TABLES), form.status


@blueprint.post("/house.<kind>")
@owner_only
@proven(Proof.COPIES)
def download(kind: str) -> ResponseReturnValue:
    """The whole house as a ZIP of CSV files, or as one workbook; that it left is recorded."""
    if kind not in KINDS:
        abort(404)
    content = export_house(current_work(), kind)
    return send(content, f"house.{kind}", XLSX if kind == "xlsx" else "application/zip")


@blueprint.post("/record")
@owner_only
def record() -> ResponseReturnValue:
    """Import what was shown."""
    about("house")
    work, token = current_work(), request.form.get("token", "")
    waiting = find_upload(work, _PURPOSE, token)
    plan = import_house(work, waiting.name, waiting.content, request.form.get("seal", "") or "none")
    drop_upload(token)
    return flash_and_redirect(f"The export is imported: {plan.rows:,} rows were added or changed.", "moving.index")
