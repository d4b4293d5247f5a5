"""The page of an existing bitting list: for the owner alone, by POST, each study an event."""

from __future__ import annotations

from flask import flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue
from flask_wtf.file import FileField, FileRequired
from wtforms import HiddenField, PasswordField, SelectField
from wtforms.validators import InputRequired, Length

from app.errors import BitternError
from app.ledger.keysystems.bitting_lists import ListAsk, ListFound, TakeForm, study_bitting_list, take_over
from app.ledger.keysystems.planning import customers_to_choose
from app.spreadsheets import table_rows
from app.web.access import owner_only
from app.web.fields import WholeField
from app.web.forms_base import PageForm, text, typed
from app.web.keying import blueprint
from app.web.keying.fields import attach_plain, file_problems, offer, read_upload
from app.web.keying.forms import keyway_choices
from app.web.services import current_work, request_session


class ListPage(PageForm):
    """A list, and what it is held against."""

    file = FileField(
        "List",
        [FileRequired("Choose a .csv or .xlsx file.")],
        description="CSV or XLSX with the columns symbol, bitting, status (used, retired, free).",
    )
    keyway = SelectField("Keyway", [InputRequired("Choose a keyway.")])
    chambers = WholeField("Chambers", [InputRequired("Enter how many.")], least=3, most=12, default=6)
    tmk = PasswordField(
        "Top master, where you have it",
        [Length(max=12, message="A bitting has at most 12 cuts.")],
        description="The list is then held against the master's array. Not shown again.",
    )
    constants = WholeField(
        "Chambers held at a time", least=0, most=11, default=0, description="Rotating constants; 0 for none."
    )


class TakePage(PageForm):
    """Whose list it is, once it was studied."""

    sealed = HiddenField()
    keyway = HiddenField()
    chambers = WholeField("Chambers", [InputRequired("Enter how many.")], least=3, most=12)
    customer = SelectField("Customer", [InputRequired("Choose the customer.")])
    name = text("Name of the system", 120, needed="Enter a name for the system.")


@blueprint.route("/bitting-list", methods=["GET", "POST"])
@owner_only
def bitting_list() -> ResponseReturnValue:
    """Study a list that was sent."""
    work, found = current_work(), None
    form = ListPage()
    offer(form.keyway, keyway_choices(work.session))
    problems: list[object] = []
    if form.validate_on_submit():
        try:
            table = list(table_rows(*read_upload(form.file)))
            ask = ListAsk(typed(form.keyway), form.chambers.data, typed(form.tmk).strip(), form.constants.data or 0)
            found = study_bitting_list(work, ask, table)
        except BitternError as error:
            if error.field.startswith("row ") or error.field == "file":
                problems = list(file_problems(error))
                form.file.errors = [f"This list has {len(problems)} problems; each is listed below."]
            else:
                attach_plain(form, error)
    status = 422 if form.is_submitted() and found is None else 200
    take = _take_form(form, found)
    page = render_template("keying/bitting_list.html", form=form, found=found, take=take, problems=problems)
    return page, status


def _take_form(form: ListPage, found: ListFound | None) -> TakePage | None:
    if found is None or not found.sealed:
        return None
    take = TakePage(formdata=None, data={"sealed": found.sealed, "keyway": form.keyway.data})
    take.chambers.data = form.chambers.data
    offer(take.customer, [("", "Choose …"), *customers_to_choose(request_session())])
    return take


@blueprint.post("/bitting-list/take")
@owner_only
def take_list() -> ResponseReturnValue:
    """Import a studied list as a system."""
    work, form = current_work(), TakePage()
    offer(form.customer, [("", "Choose …"), *customers_to_choose(work.session)])
    if form.validate_on_submit():
        asked = TakeForm(int(typed(form.customer)), typed(form.name), typed(form.keyway), form.chambers.data)
        try:
            system = take_over(work, asked, typed(form.sealed))
        except BitternError as error:
            attach_plain(form, error)
        else:
            flash(f"{system.name} is imported: {len(system.keysets)} keysets, their bittings sealed.")
            return redirect(url_for("keysystems.show", system_id=system.id), 303)
    return render_template("keying/take_list.html", form=form), 422
