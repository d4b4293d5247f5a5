"""A site's door list as a file or a paste: shown before it is saved, and written out again."""

import io
from collections.abc import Mapping

from flask import render_template, request
from flask.typing import ResponseReturnValue
from werkzeug.datastructures import FileStorage
from wtforms import TextAreaField

from app.errors import BitternError, Problem
from app.ledger.sites.customer_queries import get_site
from app.ledger.sites.door_import import (
    import_doors,
    plan_doors,
    read_list_file,
    read_list_text,
    row_number,
    site_list,
)
from app.ledger.sites.door_paste import LIST_COLUMNS, ColumnChoice, DoorRow, UnknownColumns
from app.ledger.tables import Role
from app.validation import counted
from app.web.access import roles
from app.web.errors import about
from app.web.files import send_table
from app.web.forms_base import FilePage, attach, flash_and_redirect
from app.web.services import current_work, request_session
from app.web.sites.doors import blueprint
from app.web.staged_uploads import StagedUpload, drop_upload, find_upload, stage_upload

_PASTED = "pasted doors"
_MOST_COLUMNS = 200


class DoorListForm(FilePage):
    """A door list, as a file or pasted."""

    pasted = TextAreaField("Or paste it here")


@blueprint.get("/sites/<int:site_id>/doors.<any(csv, xlsx):kind>")
@roles(Role.COUNTER, Role.BENCH)
def list_file(site_id: int, kind: str) -> ResponseReturnValue:
    """The site's doors as CSV or XLSX, which reads back to the same."""
    return send_table(kind, f"doors-{site_id}", "Doors", site_list(request_session(), site_id))


@blueprint.route("/sites/<int:site_id>/doors/list", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def read_list(site_id: int) -> ResponseReturnValue:
    """Read a door list and say what it would do; nothing is saved here."""
    work, form = current_work(), DoorListForm()
    problems: tuple[Problem, ...] = ()
    site = get_site(work.session, site_id)
    if form.validate_on_submit():
        token, choice = request.form.get("token", ""), read_choice(request.form)
        try:
            purpose = _purpose(site_id)
            waiting = find_upload(work, purpose, token) if token else stage_upload(work, purpose, _sent(form))
            rows, found = _read(waiting, choice)
            plan = plan_doors(work.session, site_id, rows)
        except UnknownColumns as asked:
            return _columns_page(site_id, waiting, asked, None, ())
        except BitternError as error:
            attach(form, error)
        else:
            problems = tuple(sorted((*found, *plan.problems), key=row_number))
            if not problems:
                return render_template(
                    "sites/door_list_plan.html", site=site, plan=plan, waiting=waiting, choice=choice
                )
            if choice is not None:
                try:
                    _read(waiting, None)
                except UnknownColumns as asked:
                    return _columns_page(site_id, waiting, asked, choice, problems)
    return render_template(
        "sites/door_list.html", form=form, site=site, problems=problems, columns=LIST_COLUMNS
    ), form.status


@blueprint.post("/sites/<int:site_id>/doors/list/record")
@roles(Role.COUNTER, Role.BENCH)
def record_list(site_id: int) -> ResponseReturnValue:
    """Put a door list that was shown on record."""
    about(f"site {site_id}")
    work, token = current_work(), request.form.get("token", "")
    rows, _ = _read(find_upload(work, _purpose(site_id), token), read_choice(request.form))
    plan = import_doors(work, site_id, rows, request.form.get("seal", "") or "none")
    drop_upload(token)
    hung = f", {counted(len(plan.cylinders), 'cylinder')} saved as found" if plan.cylinders else ""
    return flash_and_redirect(
        f"The list is saved: {counted(len(plan.added), 'door')} added, {len(plan.changed):,} changed{hung}.",
        "doors.site",
        site_id=site_id,
    )


def _purpose(site_id: int) -> str:
    return f"doors {site_id}"


def _sent(form: DoorListForm) -> FileStorage | None:
    """The file that was chosen, or what was pasted, as one."""
    chosen: FileStorage | None = form.file.data
    if chosen is not None and chosen.filename:
        return chosen
    text = str(form.pasted.data or "")
    return FileStorage(io.BytesIO(text.encode()), filename=_PASTED) if text.strip() else None


def _read(waiting: StagedUpload, choice: ColumnChoice | None) -> tuple[list[DoorRow], list[Problem]]:
    if waiting.name == _PASTED:
        return read_list_text(waiting.content.decode(), choice)
    return read_list_file(waiting.name, waiting.content, choice)


def _columns_page(
    site_id: int,
    waiting: StagedUpload,
    asked: UnknownColumns,
    choice: ColumnChoice | None,
    problems: tuple[Problem, ...],
) -> ResponseReturnValue:
    """Ask which column is which, of the same list; what was chosen stands."""
    return render_template(
        "sites/door_columns.html",
        site=get_site(request_session(), site_id),
        waiting=waiting,
        asked=asked,
        choice=choice,
        problems=problems,
        columns=LIST_COLUMNS,
    ), 422


def read_choice(sent: Mapping[str, str]) -> ColumnChoice | None:
    """Which column is which, as the boxes of a list that was asked about say; None where nothing was asked.

    >>> read_choice({"columns-of": "a1", "column-0": "opening", "column-1": "", "first-row": "door"})
    ColumnChoice(names=('opening', ''), has_heading=False, mark='a1')
    """
    mark = sent.get("columns-of", "")
    names = [sent[f"column-{place}"] for place in range(_MOST_COLUMNS) if f"column-{place}" in sent]
    return ColumnChoice(tuple(names), sent.get("first-row") != "door", mark) if mark else None
