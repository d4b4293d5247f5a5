"""The owner sends a system's array and bittings to its factory: put on record, on two papers, and followed."""

from flask import render_template
from flask.typing import ResponseReturnValue
from wtforms import SelectField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs

from app.documents import printing, sealed_letter_pdf, sealed_list_pdf
from app.ledger.catalog.maker_queries import list_makers
from app.ledger.catalog.price_queries import get_house
from app.ledger.keysystems.sent_arrays import (
    MOST_NOTE,
    MOST_PERSON,
    MOST_PURPOSE,
    ArrayState,
    SendForm,
    note_array,
    sealed_letter,
    sealed_list,
    send_array,
    sent_arrays,
)
from app.ledger.keysystems.system_queries import get_system
from app.ledger.people.login_rules import Proof
from app.ledger.quoting.issuing import house_head
from app.web.access import owner_only, proven
from app.web.files import PDF, send
from app.web.forms_base import PageForm, flash_and_redirect, record_id, text, typed
from app.web.keying import blueprint
from app.web.services import current_work


class SendPage(PageForm):
    """To whom, what for, and how the sealed list travels."""

    maker_id = SelectField("Maker", validate_choice=False)
    person = text("For whom there", MOST_PERSON, hint="A person's name: nobody else opens it.")
    purpose = text("What for", MOST_PURPOSE, hint="“Keys 40 cylinders into it”, with the order's number.")
    way = text("How the list travels", MOST_PERSON, hint="By hand, registered post. Never by e-mail, nor with goods.")


class NotePage(PageForm):
    """What became of a copy."""

    state = SelectField("It is", choices=[SelectChoice(one.value, one.value) for one in ArrayState])
    note = text("Note", MOST_NOTE)


@blueprint.route("/systems/<int:system_id>/sent-arrays", methods=["GET", "POST"])
@owner_only
@proven(Proof.BITTING_LIST)
def sent(system_id: int) -> ResponseReturnValue:
    """Every copy that left the house; a press puts one more on record."""
    work, form = current_work(), SendPage()
    form.maker_id.choices = [SelectChoice("", "choose"), *_makers()]

    def act() -> int:
        asked = SendForm(record_id(form.maker_id.data), typed(form.person), typed(form.purpose), typed(form.way))
        return send_array(work, system_id, asked).number

    if form.run(act):
        told = "It is on record. Print both papers: the list goes in a sealed envelope, the letter another way."
        return flash_and_redirect(told, "keying.sent", system_id=system_id)
    page = render_template(
        "keying/sent_arrays.html",
        system=get_system(work.session, system_id),
        form=form,
        sent=sent_arrays(work.session, system_id),
        states=ArrayState,
    )
    return page, form.status


def _makers() -> list[SelectChoice]:
    return [SelectChoice(str(maker.id), maker.name) for maker, *_ in list_makers(current_work().session)]


@blueprint.post("/systems/<int:system_id>/sent-arrays/<int:sent_id>")
@owner_only
def note_sent(system_id: int, sent_id: int) -> ResponseReturnValue:
    """What became of a copy: received, back or destroyed, lost."""
    form = NotePage()
    state = form.state.data if form.state.data in set(ArrayState) else ArrayState.ON_ITS_WAY
    found = note_array(current_work(), system_id, sent_id, ArrayState(state), typed(form.note))
    return flash_and_redirect(f"{found.reference} is {found.state.value}.", "keying.sent", system_id=system_id)


@blueprint.post("/systems/<int:system_id>/sent-arrays/<int:sent_id>/list.pdf")
@owner_only
@proven(Proof.BITTING_LIST)
def sealed_list_file(system_id: int, sent_id: int) -> ResponseReturnValue:
    """The list for the sealed envelope."""
    work = current_work()
    with printing():
        paper = sealed_list_pdf(sealed_list(work, system_id, sent_id), get_house(work.session).paper)
        return send(paper, f"sealed-list-{sent_id}.pdf", PDF)


@blueprint.post("/systems/<int:system_id>/sent-arrays/<int:sent_id>/letter.pdf")
@owner_only
@proven(Proof.BITTING_LIST)
def sealed_letter_file(system_id: int, sent_id: int) -> ResponseReturnValue:
    """The letter that goes another way."""
    work = current_work()
    paper = sealed_letter_pdf(sealed_letter(work, system_id, sent_id), house_head(get_house(work.session)))
    return send(paper, f"letter-to-sealed-list-{sent_id}.pdf", PDF)
