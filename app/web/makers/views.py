"""The makers' pages: read by all, changed by the owner."""

from __future__ import annotations

__all__ = ["blueprint"]

import json
from collections.abc import Mapping
from typing import Any

from flask import Blueprint, Response, abort, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.errors import BitternError, Problems
from app.fitting import (
    csv_bytes,
    finishes,
    guarded,
    read_maker,
    sheet_bytes,
    write_catalogue_csv,
    write_catalogue_xlsx,
)
from app.ledger.errors import Stale
from app.ledger.events.queries import events_of
from app.ledger.makers.actions import import_maker
from app.ledger.makers.catalogue import catalogue_page, items_of
from app.ledger.makers.editing import add_maker, change_table, maker_json, plan_maker, read_table_file
from app.ledger.makers.models import Maker
from app.ledger.makers.queries import get_maker, list_makers
from app.ledger.makers.sheets import Row, Sheet, find_sheet, read_sheet, sheet_rows, sheets_of
from app.ledger.users.models import Role
from app.web.access import roles
from app.web.asked import asked_page, asked_text, is_piece
from app.web.errors import about
from app.web.files import CSV, XLSX, send
from app.web.forms_base import FilePage, attach, typed
from app.web.makers.forms import MakerPage, TableForm
from app.web.services import current_work, request_session
from app.web.waiting import WaitingFile, drop_waiting, find_waiting, keep_waiting

blueprint = Blueprint("makers", __name__, url_prefix="/makers")
SIZE = 50
SPARE_ROWS = 4


@blueprint.get("")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """Every maker."""
    return render_template("makers/index.html", makers=list_makers(request_session()))


@blueprint.get("/<int:maker_id>")
@roles(Role.COUNTER, Role.BENCH)
def show(maker_id: int) -> ResponseReturnValue:
    """One maker's tables."""
    session = request_session()
    maker = get_maker(session, maker_id)
    sheets = sheets_of(maker.tables)
    _, count = catalogue_page(session, maker_id, size=1)
    return render_template(
        "makers/show.html",
        maker=maker,
        read=read_maker({**maker.tables, "items": []}),
        sheets=[(sheet, sheet_rows(maker.tables, sheet)) for sheet in sheets],
        count=count,
        events=events_of(session, f"maker {maker_id}", limit=10),
        known_finishes={each.code: each for each in finishes()},
    )


@blueprint.get("/<int:maker_id>/catalogue")
@roles(Role.COUNTER, Role.BENCH)
def catalogue(maker_id: int) -> ResponseReturnValue:
    """A maker's items, by page, or those that hold what was typed."""
    session, text, page = request_session(), asked_text("q"), asked_page()
    items, count = catalogue_page(session, maker_id, text, page, SIZE)
    return render_template(
        "makers/_items.html" if is_piece() else "makers/catalogue.html",
        maker=get_maker(session, maker_id),
        items=items,
        count=count,
        text=text,
        page=page,
        pages=-(-count // SIZE),
    )


@blueprint.get("/<int:maker_id>/export.json")
@roles()
def export_json(maker_id: int) -> ResponseReturnValue:
    """The maker's whole file, which `import` reads back to the same."""
    session = request_session()
    maker = get_maker(session, maker_id)
    text = json.dumps(maker_json(session, maker), indent=1, ensure_ascii=False)
    return send(text.encode(), f"maker-{maker_id}.json", "application/json")


@blueprint.get("/<int:maker_id>/catalogue.csv")
@roles()
def catalogue_csv(maker_id: int) -> ResponseReturnValue:
    """The maker's catalogue as CSV."""
    session = request_session()
    text = write_catalogue_csv(items_of(session, get_maker(session, maker_id)))
    return send(text.encode("utf-8-sig"), f"catalogue-{maker_id}.csv", CSV)


@blueprint.get("/<int:maker_id>/catalogue.xlsx")
@roles()
def catalogue_xlsx(maker_id: int) -> ResponseReturnValue:
    """The maker's catalogue as a spreadsheet."""
    session = request_session()
    content = write_catalogue_xlsx(items_of(session, get_maker(session, maker_id)))
    return send(content, f"catalogue-{maker_id}.xlsx", XLSX)


@blueprint.route("/new", methods=["GET", "POST"])
@roles()
def new() -> ResponseReturnValue:
    """Add a maker by name; its tables come after."""
    form = MakerPage()
    if form.validate_on_submit():
        try:
            maker = add_maker(current_work(), typed(form.name), typed(form.code))
        except BitternError as error:
            attach(form, error)
        else:
            flash(f"{maker.name} is on record.")
            return redirect(url_for("makers.show", maker_id=maker.id), 303)
    return render_template("makers/new.html", form=form), 422 if form.is_submitted() else 200


@blueprint.route("/import", methods=["GET", "POST"])
@roles()
def import_json() -> ResponseReturnValue:
    """Read a maker's whole file and say what it would do; nothing is saved here."""
    form, work, problems = FilePage(), current_work(), None
    if form.validate_on_submit():
        try:
            waiting = keep_waiting(work, "maker", form.file.data)
            return _plan(waiting, *plan_maker(work.session, waiting.content))
        except Problems as refused:
            problems = refused.problems
        except BitternError as error:
            where = "" if error.field == "file" else f"{error.field}: "
            attach(form, BitternError("file", where + error.message))
    status = 422 if form.is_submitted() else 200
    return render_template("makers/import.html", form=form, problems=problems), status


@blueprint.post("/import/record")
@roles()
def record_json() -> ResponseReturnValue:
    """Put a maker's whole file on record."""
    work, token, form = current_work(), request.form.get("token", ""), TableForm()
    waiting = find_waiting(work, "maker", token)
    given, _ = plan_maker(work.session, waiting.content)
    try:
        maker = import_maker(work, given, form.version_read)
    except Stale:
        return _plan(waiting, *plan_maker(work.session, waiting.content), is_anew=True), 409
    drop_waiting(token)
    flash(f"{maker.name} is on record.")
    return redirect(url_for("makers.show", maker_id=maker.id), 303)


def _plan(waiting: WaitingFile, given: dict[str, Any], known: Maker | None, *, is_anew: bool = False) -> str:
    """What a maker's file would do; is_anew: said again, since somebody saved in between."""
    return render_template("makers/plan.html", waiting=waiting, read=read_maker(given), known=known, is_anew=is_anew)


@blueprint.route("/<int:maker_id>/tables/<key>", methods=["GET", "POST"])
@roles()
def table(maker_id: int, key: str) -> ResponseReturnValue:
    """Change one table of a maker, cell by cell."""
    about(f"maker {maker_id}")
    work = current_work()
    maker, sheet = _sheet(maker_id, key)
    form = TableForm(obj=maker)
    rows, problems, version = sheet_rows(maker.tables, sheet), None, maker.version
    if form.validate_on_submit():
        rows = _typed_rows(sheet)
        try:
            change_table(work, maker_id, form.version_read, key, list(enumerate(rows, 1)))
        except Problems as refused:
            problems, version = refused.problems, form.version_read
        else:
            flash(f"{sheet.title} is saved.")
            return redirect(url_for("makers.show", maker_id=maker_id, _anchor=key), 303)
    form.version.data = str(version)
    empty = dict.fromkeys(sheet.columns, "")
    return render_template(
        "makers/table.html",
        form=form,
        maker=maker,
        sheet=sheet,
        rows=[*(row for row in rows if any(row.values())), *[empty] * SPARE_ROWS],
        problems=problems,
        faults=_faults(problems or ()),
    ), 422 if problems else 200


def _sheet(maker_id: int, key: str) -> tuple[Maker, Sheet]:
    maker = get_maker(request_session(), maker_id)
    try:
        return maker, find_sheet(maker.tables, key)
    except BitternError as error:
        abort(404, error.message)


def _typed_rows(sheet: Sheet) -> list[Row]:
    """The cells as typed, row by row, without the rows left empty."""
    columns = [request.form.getlist(f"cell-{place}") for place in range(len(sheet.columns))]
    rows = [dict(zip(sheet.columns, cells, strict=False)) for cells in zip(*columns, strict=False)]
    return [row for row in rows if any(cell.strip() for cell in row.values())]


def _faults(problems: Any) -> Mapping[tuple[int, str], str]:
    """(row, column) → what was refused there."""
    found = {}
    for problem in problems:
        place, _, column = problem.field.partition(", ")
        number = place.removeprefix("row ")
        if number.isdecimal():
            found[int(number), column] = problem.message
    return found


@blueprint.get("/<int:maker_id>/tables/<key>.csv")
@roles()
def table_csv(maker_id: int, key: str) -> ResponseReturnValue:
    """One table as CSV."""
    maker, sheet = _sheet(maker_id, key)
    return send(csv_bytes(_written(maker.tables, sheet)), f"maker-{maker_id}-{sheet.key}.csv", CSV)


@blueprint.get("/<int:maker_id>/tables/<key>.xlsx")
@roles()
def table_xlsx(maker_id: int, key: str) -> Response:
    """One table as a spreadsheet."""
    maker, sheet = _sheet(maker_id, key)
    content = sheet_bytes(sheet.key, _written(maker.tables, sheet))
    return send(content, f"maker-{maker_id}-{sheet.key}.xlsx", XLSX)


def _written(tables: Mapping[str, Any], sheet: Sheet) -> list[list[str]]:
    rows = [[guarded(row[name]) for name in sheet.columns] for row in sheet_rows(tables, sheet)]
    return [list(sheet.columns), *rows]


@blueprint.route("/<int:maker_id>/tables/<key>/import", methods=["GET", "POST"])
@roles()
def import_table(maker_id: int, key: str) -> ResponseReturnValue:
    """Read a table from a file and show it before it is saved."""
    work, form, problems = current_work(), FilePage(), None
    maker, sheet = _sheet(maker_id, key)
    if form.validate_on_submit():
        try:
            waiting = keep_waiting(work, f"table {maker_id} {key}", form.file.data)
            rows = read_table_file(maker.tables, key, waiting.name, waiting.content)
            return _table_plan(maker, sheet, waiting, rows)
        except Problems as refused:
            problems = refused.problems
        except BitternError as error:
            attach(form, error)
    status = 422 if form.is_submitted() else 200
    return render_template("makers/import_table.html", form=form, maker=maker, sheet=sheet, problems=problems), status


def _table_plan(
    maker: Maker, sheet: Sheet, waiting: WaitingFile, rows: list[tuple[int, Row]], *, is_anew: bool = False
) -> str:
    """What a table's file would do; is_anew: said again, since somebody saved in between."""
    before, after = sheet_rows(maker.tables, sheet), sheet_rows(read_sheet(maker.tables, sheet, rows), sheet)
    return render_template(
        "makers/table_plan.html",
        maker=maker,
        sheet=sheet,
        waiting=waiting,
        added=[row for row in after if row not in before],
        gone=[row for row in before if row not in after],
        kept=sum(row in before for row in after),
        is_anew=is_anew,
    )


@blueprint.post("/<int:maker_id>/tables/<key>/record")
@roles()
def record_table(maker_id: int, key: str) -> ResponseReturnValue:
    """Put a table that was shown on record."""
    about(f"maker {maker_id}")
    work, token, form = current_work(), request.form.get("token", ""), TableForm()
    maker, sheet = _sheet(maker_id, key)
    waiting = find_waiting(work, f"table {maker_id} {key}", token)
    rows = read_table_file(maker.tables, key, waiting.name, waiting.content)
    try:
        change_table(work, maker_id, form.version_read, key, rows)
    except Stale:
        return _table_plan(*_sheet(maker_id, key), waiting, rows, is_anew=True), 409
    drop_waiting(token)
    flash(f"{sheet.title} is on record.")
    return redirect(url_for("makers.show", maker_id=maker_id, _anchor=key), 303)
