"""Keys of what is out of use: called in by a letter to each holder, and ticked off as they come back."""

from flask import render_template, request
from flask.typing import ResponseReturnValue

from app.documents import call_in_pdf, printing
from app.ledger.catalog.price_queries import get_house
from app.ledger.keys.calling_in import call_in, letters_of, lost_out_of_use, still_out, tick_off
from app.ledger.keysystems.system_queries import get_system
from app.ledger.quoting.issuing import house_head
from app.ledger.store.errors import LedgerError
from app.ledger.tables import Role
from app.validation import counted
from app.web.access import roles
from app.web.errors import about
from app.web.fields import DayField
from app.web.files import PDF, send
from app.web.forms_base import PageForm, flash_and_redirect, record_id
from app.web.keys.views import blueprint
from app.web.services import current_work


class CallInForm(PageForm):
    """By when the keys are to be back."""

    back_by = DayField("To be back by")


@blueprint.route("/system/<int:system_id>/call-in", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def call_in_page(system_id: int) -> ResponseReturnValue:
    """Who still holds keys of what is out of use; call them in, or tick off what came back."""
    about(f"key system {system_id}")
    work, form = current_work(), CallInForm(data={})
    refused, ticked = "", {record_id(one) for one in request.form.getlist("key")}

    def act() -> str:
        if request.form.get("deed") == "tick":
            return f"{counted(tick_off(work, system_id, sorted(ticked - {0})), 'key')} marked as returned."
        if form.back_by.data is None:
            raise LedgerError("back_by", "Enter the day by which the keys are to be back.")
        held = call_in(work, system_id, form.back_by.data)
        return f"{counted(sum(len(one.keys) for one in held), 'key')} called in. Print the letters."

    if done := form.run(act):
        return flash_and_redirect(done.value, "keys.call_in_page", system_id=system_id)
    if "keys" not in form and form.form_errors:
        refused = str(form.form_errors[0])
    system = get_system(work.session, system_id)
    return render_template(
        "keys/call_in.html",
        system=system,
        form=form,
        refused=refused,
        held=still_out(work, system_id),
        lost=lost_out_of_use(work, system_id),
        ticked=ticked,
    ), form.status


@blueprint.get("/system/<int:system_id>/call-in.pdf")
@roles(Role.COUNTER, Role.BENCH)
def call_in_letters(system_id: int) -> ResponseReturnValue:
    """A letter to each holder."""
    work = current_work()
    letters = letters_of(work, system_id)
    with printing():
        made = call_in_pdf(house_head(get_house(work.session)), letters, work.today)
    return send(made, f"return-of-keys-{system_id}.pdf", PDF)
