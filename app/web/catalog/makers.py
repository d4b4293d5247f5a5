"""The makers' pages, read by all, changed by the owner: by whole files, by tables' files, and cell by cell."""

import json
from collections.abc import Mapping
from typing import Any

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.errors import BitternError, Problems
from app.fitting import all_finishes, catalog_table, read_maker
from app.ledger.catalog.item_prices import coming_lists
from app.ledger.catalog.maker_items import count_items, items_of
from app.ledger.catalog.maker_papers import noted_pages
from app.ledger.catalog.maker_pictures import pictures
from app.ledger.catalog.maker_queries import (
    faults_of_families,
    get_maker,
    list_makers,
    spec_names,
    tables_on_record,
)
from app.ledger.catalog.makers import (
    Ordering,
    TableChange,
    add_maker,
    change_table,
    import_maker,
    maker_json,
    plan_maker,
    plan_table,
    read_table_file,
    set_ordering,
)
from app.ledger.catalog.price_queries import entered_bench_terms
from app.ledger.catalog.sheets import Row, Sheet, find_sheet, sheet_rows, sheets_of
from app.ledger.importing.learned_lists import list_learned
from app.ledger.store.errors import Stale
from app.ledger.store.events import events_of
from app.ledger.tables import Maker, PageTopic, Role
from app.web.access import owner_only, roles
from app.web.errors import about
from app.web.fields import CentsField, WholeField
from app.web.files import send, send_table
from app.web.forms_base import FilePage, PageForm, SavedForm, area, flash_and_redirect, text, typed
from app.web.services import current_work, request_session
from app.web.staged_uploads import StagedUpload, drop_upload, find_upload, stage_upload


class MakerPage(PageForm):
    """A maker by name."""

    name = text("Name", 60, needed="Enter the maker's name.")
    code = text("Code", 12, hint="Short, as commands and files name it.", needed="Enter a short code.")


class OrderingForm(SavedForm):
    """How to order from a maker."""

    address = area("Address", Maker.address)
    email = text("E-mail for orders", Maker.email)
    account_number = text("Our account number", Maker.account_number)
    minimum_cents = CentsField("Minimum order", description="What an order of goods comes to at least.")
    lead_days = WholeField("Lead time, working days", most=999, description="From an order to its goods.")
    finish_leads = area("Lead time by finish, where it differs", 2000, hint="One a line: US10B 25", rows=2)


class TableForm(SavedForm):
    """A table of a maker; its cells are read by name."""


blueprint = Blueprint("makers", __name__, url_prefix="/makers")
SPARE_ROWS, MORE_ROWS = 4, 12
TOPIC_OF_SHEET = {
    "cams": PageTopic.CAM,
    "locks": PageTopic.LOCK,
    "keyways": PageTopic.KEYWAY,
    "blanks": PageTopic.BLANK,
}
"""Whose rows of a maker's page tell from which page of its papers they are known, by their first column."""


@blueprint.get("")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """Every maker."""
    return render_template("catalog/makers.html", makers=list_makers(request_session()))


@blueprint.get("/<int:maker_id>")
@roles(Role.COUNTER, Role.BENCH)
def show(maker_id: int) -> ResponseReturnValue:
    """One maker's tables."""
    maker = get_maker(request_session(), maker_id)
    names = ("version", "address", "email", "account_number", "minimum_cents", "lead_days")
    leads = "\n".join(f"{finish} {days}" for finish, days in maker.finish_leads.items())
    filled = {name: getattr(maker, name) for name in names} | {"finish_leads": leads}
    return _page(maker_id, OrderingForm(formdata=None, data=filled))


def _page(maker_id: int, ordering: OrderingForm) -> ResponseReturnValue:
    session = request_session()
    maker = get_maker(session, maker_id)
    tables = tables_on_record(session, maker)
    sheets = sheets_of(tables)
    terms = entered_bench_terms(session, current_work().today)
    page = render_template(
        "catalog/maker.html",
        maker=maker,
        ordering=ordering,
        read=read_maker({**tables, "items": []}),
        sheets=[(sheet, sheet_rows(tables, sheet)) for sheet in sheets],
        is_learned="learned" in request.args,
        coming=coming_lists(session, maker_id),
        learned_from=list_learned(session, maker),
        count=count_items(session, maker_id),
        usual_lead=terms.uncombinated_lead_days if terms is not None else None,
        events=events_of(session, f"maker {maker_id}", limit=10),
        family_faults=[each for each in faults_of_families(session) if each.maker == tables.get("name")],
        known_finishes={each.code: each for each in all_finishes()},
        topics=TOPIC_OF_SHEET,
        pictures=pictures(session),
        told_at={
            (sheet, name): pages
            for (topic, name), pages in noted_pages(session, maker_id, TOPIC_OF_SHEET.values()).items()
            for sheet, own in TOPIC_OF_SHEET.items()
            if own is topic
        },
    )
    return page, ordering.status


@blueprint.post("/<int:maker_id>/ordering")
@owner_only
def set_how_to_order(maker_id: int) -> ResponseReturnValue:
    """Save how to order from the maker."""
    form, work = OrderingForm(), current_work()
    about(f"maker {maker_id}", form)
    if form.run(lambda: set_ordering(work, maker_id, form.version_read, form.into(Ordering))):
        return flash_and_redirect("How to order is saved.", "makers.show", maker_id=maker_id, _anchor="ordering")
    return _page(maker_id, form)


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
    form, work = FilePage(), current_work()

    def plan() -> str:
        waiting = stage_upload(work, "maker", form.file.data)
        return _plan(waiting, *plan_maker(work.session, waiting.content))

    if done := form.run(plan):
        return done.value
    return render_template("catalog/import_maker.html", form=form, problems=form.problems), form.status


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
    work, form = current_work(), FilePage()
    maker, tables, sheet = _sheet(maker_id, key)

    def plan() -> str:
        waiting = stage_upload(work, f"table {maker_id} {key}", form.file.data)
        rows = read_table_file(tables, key, waiting.name, waiting.content)
        return _table_plan(maker, tables, sheet, waiting, rows)

    if done := form.run(plan):
        return done.value
    return render_template(
        "catalog/import_maker_table.html", form=form, maker=maker, sheet=sheet, problems=form.problems
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
