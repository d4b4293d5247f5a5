"""Another shop's bitting list: how it is read, what it asks, what stands aside; taken over at once. The owner's."""

from collections.abc import Mapping

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.keying import LIST_LEVELS
from app.ledger.importing.bitting_lists import (
    ONE_TOP,
    Agreed,
    ListAnswers,
    ReadList,
    RowAnswer,
    read_bitting_list,
    take_bitting_list,
    usual_chambers,
)
from app.ledger.importing.imports import ask_questions
from app.ledger.keysystems.bitting_lists import TakeForm
from app.web.access import owner_only
from app.web.forms_base import record_id, typed
from app.web.importing.views import choice_of, open_waiting
from app.web.keying.forms import TakeListPage
from app.web.services import current_work
from app.web.staged_uploads import drop_upload

blueprint = Blueprint("bitting_lists", __name__, url_prefix="/imports")
_MOST_SHOWN = 200  # rows of a kind at once; what asks comes up as the ones before are answered


@blueprint.route("/waiting/<token>/bittings", methods=["GET", "POST"])
@owner_only
def show(token: str) -> ResponseReturnValue:
    """Ask how a list is written; show what is taken, asked and aside; take it over when that is settled."""
    work, form = current_work(), TakeListPage()
    waiting, sent = open_waiting(work, token)
    choice, _, _ = choice_of(work, waiting, sent)
    if sent.kind.name != "bitting list" or ask_questions(work.session, sent, choice).missing:
        return redirect(url_for("imports.show", token=token), 303)
    read = None
    if not form.is_submitted():
        form.chambers.data, form.customer.data = usual_chambers(sent, choice), str(sent.about_id or "")
    elif done := form.run(lambda: read_bitting_list(work, sent, choice, _answers(form))):
        read = done.value
        _offer(form, read)
        if request.form.get("act") == "save":
            asked = TakeForm(record_id(form.customer.data), typed(form.name), typed(form.keyway), form.chambers.data)
            agreed = Agreed(bool(form.leaves_asked.data), bool(form.order_tells.data))
            if taken := form.run(lambda: take_bitting_list(work, sent, choice, asked, _answers(form), agreed)):
                drop_upload(token)
                system, audit = taken.value
                flash(f"{system.name} is imported: {len(read.found.taken)} keysets, their bittings sealed.")
                flash(audit.words, "note" if audit.is_proven else "caution")
                return redirect(url_for("keysystems.show", system_id=system.id), 303)
    page = render_template(
        "importing/bitting_list.html",
        waiting=waiting,
        sent=sent,
        form=form,
        read=read,
        most=_MOST_SHOWN,
        said=request.form,
        levels=LIST_LEVELS,
        list_cells=dict(sent.table.rows) if read else {},
        bitting_place=choice.columns["bitting"],
    )
    return page, form.status if form.errors or form.problems or not read else 200


def _answers(form: TakeListPage) -> ListAnswers:
    """How the list is read, and what stands in the boxes of its rows: cuts-7, level-7, zero-7."""
    boxes: Mapping[str, str] = request.form
    numbers = {record_id(name.rpartition("-")[2]) for name in boxes if name.startswith(("cuts-", "level-", "zero-"))}
    rows = {
        number: RowAnswer(
            boxes.get(f"cuts-{number}", "") or boxes.get(f"zero-{number}", ""), boxes.get(f"level-{number}", "")
        )
        for number in numbers
    }
    return ListAnswers(
        typed(form.keyway),
        form.chambers.data,
        typed(form.cuts),
        bool(form.own_names.data),
        bool(form.rest_are_changes.data),
        form.constants.data or 0,
        typed(form.system_named),
        typed(form.root),
        rows,
    )


def _offer(form: TakeListPage, read: ReadList) -> None:
    """The choices that this list leaves."""
    form.system_named.choices = {"": "Choose …", **{name: name for name in read.systems}}
    named = read.roots.items()
    alone = {root: f"{name} and what stands under it now, the others by another import" for root, name in named}
    form.root.choices = {ONE_TOP: "One system: the list lacks the master over them", **alone}
    form.order_tells.label.text = (
        f"{read.placed} keys stand under the master before them in the list: that is who opens them"
    )
