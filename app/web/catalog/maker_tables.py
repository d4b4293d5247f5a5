"""One table of a maker: changed cell by cell, out as a file, and in from one, shown before it is saved."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import abort, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.errors import BitternError, Problems
from app.ledger.catalog.maker_queries import get_maker, spec_names, tables_on_record
from app.ledger.catalog.makers import TableChange, change_table, plan_table, read_table_file
from app.ledger.catalog.sheets import Row, Sheet, find_sheet, sheet_rows
from app.ledger.store.errors import Stale
from app.ledger.tables import Maker
from app.web.access import owner_only
from app.web.catalog.makers import TableForm, blueprint
from app.web.errors import about
from app.web.files import send_table
from app.web.forms_base import FilePage, attach
from app.web.services import current_work, request_session
from app.web.staged_uploads import StagedUpload, drop_upload, find_upload, stage_upload

SPARE_ROWS, MORE_ROWS = 4, 12


@blueprint.route("/<int:maker_id>/tables/<key>", methods=["GET", "POST"])
@owner_only
def table(maker_id: int, key: str) -> ResponseReturnValue:
    """Change one table of a maker, cell by cell."""
    about(f"maker {maker_id}")
    work = current_work()
    maker, tables, sheet = _sheet(maker_id, key)
    form = TableForm(obj=maker)
    rows, problems, version = sheet_rows(tables, sheet), None, maker.version
    spare = SPARE_ROWS if rows else MORE_ROWS
    if form.validate_on_submit():
        rows = _typed_rows(sheet)
        if "more" in request.form:
            version, spare = form.version_read, MORE_ROWS
        else:
            try:
                change = change_table(work, maker_id, form.version_read, key, list(enumerate(rows, 1)))
            except Problems as refused:
                problems, version = refused.problems, form.version_read
            else:
                _tell(change, f"Saved: {sheet.title}.")
                return redirect(url_for("makers.show", maker_id=maker_id, _anchor=key), 303)
    form.version.data = str(version)
    empty = dict.fromkeys(sheet.columns, "")
    return render_template(
        "catalog/maker_table.html",
        form=form,
        maker=maker,
        sheet=sheet,
        rows=[*(row for row in rows if any(row.values())), *[empty] * spare],
        problems=problems,
        faults={each.field: each.message for each in problems or ()},
        specs=spec_names(work.session) if key == "keyways" else (),
    ), 422 if problems else 200


def _sheet(maker_id: int, key: str) -> tuple[Maker, dict[str, Any], Sheet]:
    """The maker, its tables, and the one of them with this key; 404 where it has none such."""
    session = request_session()
    maker = get_maker(session, maker_id)
    tables = tables_on_record(session, maker, every_spec=key == "keyways")
    try:
        return maker, tables, find_sheet(tables, key)
    except BitternError as error:
        abort(404, error.message)


def _tell(change: TableChange, saved: str) -> None:
    """Say that a table is saved, and what of the catalog is not understood with it."""
    flash(saved)
    if change.unread:
        shown = ", ".join(change.unread[:5]) + (", …" if len(change.unread) > 5 else "")
        count = f"{len(change.unread):,} cylinder{'s' if len(change.unread) > 1 else ''}"
        flash(f"{count} of the catalog can no longer be read by this pattern: {shown}.", "caution")


def _typed_rows(sheet: Sheet) -> list[Row]:
    """The cells as typed, row by row, without the rows left empty."""
    columns = [request.form.getlist(f"cell-{place}") for place in range(len(sheet.columns))]
    rows = [dict(zip(sheet.columns, cells, strict=False)) for cells in zip(*columns, strict=False)]
    return [row for row in rows if any(cell.strip() for cell in row.values())]


@blueprint.get("/<int:maker_id>/tables/<key>.<any(csv, xlsx):kind>")
@owner_only
def table_file(maker_id: int, key: str, kind: str) -> ResponseReturnValue:
    """One table as CSV or XLSX."""
    _, tables, sheet = _sheet(maker_id, key)
    rows = [[row[name] for name in sheet.columns] for row in sheet_rows(tables, sheet)]
    return send_table(kind, f"maker-{maker_id}-{sheet.key}", sheet.key, [sheet.columns, *rows])


@blueprint.route("/<int:maker_id>/tables/<key>/import", methods=["GET", "POST"])
@owner_only
def import_table(maker_id: int, key: str) -> ResponseReturnValue:
    """Read a table from a file and show it before it is saved."""
    work, form, problems = current_work(), FilePage(), None
    maker, tables, sheet = _sheet(maker_id, key)
    if form.validate_on_submit():
        try:
            waiting = stage_upload(work, f"table {maker_id} {key}", form.file.data)
            rows = read_table_file(tables, key, waiting.name, waiting.content)
            return _table_plan(maker, tables, sheet, waiting, rows)
        except Problems as refused:
            problems = refused.problems
        except BitternError as error:
            attach(form, error)
    return render_template(
        "catalog/import_maker_table.html", form=form, maker=maker, sheet=sheet, problems=problems
    ), form.status


def _table_plan(
    maker: Maker,
    tables: Mapping[str, Any],
    sheet: Sheet,
    waiting: StagedUpload,
    rows: list[tuple[int, Row]],
    *,
    is_anew: bool = False,
) -> str:
    """What a table's file would do; is_anew: said again, since somebody saved in between."""
    changed = plan_table(request_session(), maker, sheet.key, rows)
    before, after = sheet_rows(tables, sheet), sheet_rows(changed, sheet)
    return render_template(
        "catalog/maker_table_plan.html",
        maker=maker,
        sheet=sheet,
        waiting=waiting,
        added=[row for row in after if row not in before],
        gone=[row for row in before if row not in after],
        kept=sum(row in before for row in after),
        is_anew=is_anew,
    )


@blueprint.post("/<int:maker_id>/tables/<key>/record")
@owner_only
def record_table(maker_id: int, key: str) -> ResponseReturnValue:
    """Put a table that was shown on record."""
    about(f"maker {maker_id}")
    work, token, form = current_work(), request.form.get("token", ""), TableForm()
    _, tables, sheet = _sheet(maker_id, key)
    waiting = find_upload(work, f"table {maker_id} {key}", token)
    rows = read_table_file(tables, key, waiting.name, waiting.content)
    try:
        change = change_table(work, maker_id, form.version_read, key, rows)
    except Stale:
        return _table_plan(*_sheet(maker_id, key), waiting, rows, is_anew=True), 409
    drop_upload(token)
    _tell(change, f"Saved: {sheet.title}.")
    return redirect(url_for("makers.show", maker_id=maker_id, _anchor=key), 303)
