"""The makers' pages: read by all, changed by the owner."""

from __future__ import annotations

import json
from typing import Any

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue

from app.errors import BitternError, Problems
from app.fitting import all_finishes, catalog_table, read_maker
from app.ledger.catalog.catalog_import import catalog_page, items_of
from app.ledger.catalog.maker_queries import get_maker, list_makers, tables_on_record
from app.ledger.catalog.makers import add_maker, import_maker, maker_json, plan_maker
from app.ledger.catalog.sheets import sheet_rows, sheets_of
from app.ledger.store.errors import Stale
from app.ledger.store.events import events_of
from app.ledger.tables import Maker, Role
from app.web.access import owner_only, roles
from app.web.files import send, send_table
from app.web.forms_base import FilePage, PageForm, SavedForm, attach, flash_and_redirect, text, typed
from app.web.query_args import read_page, read_text, wants_fragment
from app.web.services import current_work, request_session
from app.web.staged_uploads import StagedUpload, drop_upload, find_upload, stage_upload


class MakerPage(PageForm):
    """A maker by name."""

    name = text("Name", 60, needed="Enter the maker's name.")
    code = text("Code", 12, hint="Short, as commands and files name it.", needed="Enter a short code.")


class TableForm(SavedForm):
    """A table of a maker; its cells are read by name."""


blueprint = Blueprint("makers", __name__, url_prefix="/makers")


SIZE = 50


@blueprint.get("")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """Every maker."""
    return render_template("catalog/makers.html", makers=list_makers(request_session()))


@blueprint.get("/<int:maker_id>")
@roles(Role.COUNTER, Role.BENCH)
def show(maker_id: int) -> ResponseReturnValue:
    """One maker's tables."""
    session = request_session()
    maker = get_maker(session, maker_id)
    tables = tables_on_record(session, maker)
    sheets = sheets_of(tables)
    _, count = catalog_page(session, maker_id, size=1)
    return render_template(
        "catalog/maker.html",
        maker=maker,
        read=read_maker({**tables, "items": []}),
        sheets=[(sheet, sheet_rows(tables, sheet)) for sheet in sheets],
        count=count,
        events=events_of(session, f"maker {maker_id}", limit=10),
        known_finishes={each.code: each for each in all_finishes()},
    )


@blueprint.get("/<int:maker_id>/catalogue")
@roles(Role.COUNTER, Role.BENCH)
def catalog(maker_id: int) -> ResponseReturnValue:
    """A maker's items, by page, or those that hold what was typed."""
    session, text, page = request_session(), read_text(request.args), read_page(request.args)
    items, count = catalog_page(session, maker_id, text, page, SIZE)
    return render_template(
        "catalog/_items.html" if wants_fragment() else "catalog/items.html",
        maker=get_maker(session, maker_id),
        items=items,
        count=count,
        text=text,
        page=page,
        pages=-(-count // SIZE),
    )


@blueprint.get("/<int:maker_id>/export.json")
@owner_only
def export_json(maker_id: int) -> ResponseReturnValue:
    """The maker's whole file, which `import` reads back to the same."""
    session = request_session()
    maker = get_maker(session, maker_id)
    text = json.dumps(maker_json(session, maker), indent=1, ensure_ascii=False)
    return send(text.encode(), f"maker-{maker_id}.json", "application/json")


@blueprint.get("/<int:maker_id>/catalogue.<any(csv, xlsx):kind>")
@owner_only
def catalog_file(maker_id: int, kind: str) -> ResponseReturnValue:
    """The maker's catalog as CSV or XLSX."""
    session = request_session()
    items = items_of(session, get_maker(session, maker_id))
    return send_table(kind, f"catalog-{maker_id}", "Catalog", catalog_table(items))


@blueprint.route("/new", methods=["GET", "POST"])
@owner_only
def new() -> ResponseReturnValue:
    """Add a maker by name; its tables come after."""
    form = MakerPage()
    if done := form.run(lambda: add_maker(current_work(), typed(form.name), typed(form.code))):
        return flash_and_redirect(f"{done.value.name} is saved.", "makers.show", maker_id=done.value.id)
    return render_template("catalog/new_maker.html", form=form), form.status


@blueprint.route("/import", methods=["GET", "POST"])
@owner_only
def import_json() -> ResponseReturnValue:
    """Read a maker's whole file and say what it would do; nothing is saved here."""
    form, work, problems = FilePage(), current_work(), None
    if form.validate_on_submit():
        try:
            waiting = stage_upload(work, "maker", form.file.data)
            return _plan(waiting, *plan_maker(work.session, waiting.content))
        except Problems as refused:
            problems = refused.problems
        except BitternError as error:
            where = "" if error.field == "file" else f"{error.field}: "
            attach(form, BitternError("file", where + error.message))
    return render_template("catalog/import_maker.html", form=form, problems=problems), form.status


@blueprint.post("/import/record")
@owner_only
def record_json() -> ResponseReturnValue:
    """Put a maker's whole file on record."""
    work, token, form = current_work(), request.form.get("token", ""), TableForm()
    waiting = find_upload(work, "maker", token)
    given, _ = plan_maker(work.session, waiting.content)
    try:
        maker = import_maker(work, given, form.version_read)
    except Stale:
        return _plan(waiting, *plan_maker(work.session, waiting.content), is_anew=True), 409
    drop_upload(token)
    return flash_and_redirect(f"{maker.name} is saved.", "makers.show", maker_id=maker.id)


def _plan(waiting: StagedUpload, given: dict[str, Any], known: Maker | None, *, is_anew: bool = False) -> str:
    """What a maker's file would do; is_anew: said again, since somebody saved in between."""
    return render_template(
        "catalog/maker_plan.html", waiting=waiting, read=read_maker(given), known=known, is_anew=is_anew
    )
