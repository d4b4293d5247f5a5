"""A person's page: the keys held, and their return, all on one page and one receipt."""

from flask import render_template, request
from flask.typing import ResponseReturnValue
from wtforms.validators import Optional

from app.ledger.keys.counting import say_count
from app.ledger.keys.losses import loss_of_key
from app.ledger.keys.people import TakeBackForm, find_holder, take_back_keys
from app.ledger.store.numbers import key_receipt_number
from app.ledger.tables import Key, Role
from app.validation import counted
from app.web.access import roles
from app.web.fields import DayField
from app.web.forms_base import PageForm, flash_and_redirect, record_id, text
from app.web.keys.views import blueprint
from app.web.query_args import read_id, read_text
from app.web.services import current_work

STAYS, RETURNED, HANDED_ON, MISSING = "with them", "returned", "handed on", "missing"
ENDS = {STAYS: "Still held", RETURNED: "Returned", HANDED_ON: "Handed on", MISSING: "Missing"}
"""What may have become of a key, by the value of its button, in words."""


class EndsForm(PageForm):
    """What became of each key; the keys themselves stand in the page's table, `key-ID` each."""

    successor = text("Handed on to", Key.holder, hint="Who takes on what is marked as handed on, and signs for it.")
    phone = text("Their phone", Key.holder_phone)
    due_back = DayField("Due back", [Optional()])
    note = text("About missing keys", 500, hint="Where and when last seen; it stays on record.")

    @staticmethod
    def ends() -> dict[int, str]:
        """What was sent for each key, by its id."""
        sent = {record_id(name.removeprefix("key-")): end for name, end in request.form.items() if name[:4] == "key-"}
        return {key: end for key, end in sent.items() if key and end in ENDS}


@blueprint.route("/people", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def person() -> ResponseReturnValue:
    """What a person holds of a customer's keys, and what becomes of it when he leaves."""
    work, form = current_work(), EndsForm()
    customer_id, name = read_id(request.args, "customer") or 0, read_text(request.args, "name")
    ends = form.ends()
    wanted = {end: tuple(key for key, one in ends.items() if one == end) for end in ENDS}
    fields = {"returned": wanted[RETURNED], "missing": wanted[MISSING], "handed_on": wanted[HANDED_ON]}
    if done := form.run(
        lambda: take_back_keys(work, form.into(TakeBackForm, customer_id=customer_id, holder=name, **fields))
    ):
        said = ", ".join(f"{counted(len(wanted[end]), 'key')} {end}" for end in list(ENDS)[1:] if wanted[end])
        sign = f"{name}: {said}. Have receipt {key_receipt_number(done.value.receipt)} signed."
        return flash_and_redirect(
            " ".join(filter(None, (sign, done.value.retired, say_count(work.session, customer_id)))),
            "keys.person",
            customer=customer_id,
            name=name,
            receipt=done.value.receipt,
            successor=done.value.successors_receipt,
        )
    holder = find_holder(work.session, customer_id, name)
    every = request.args.get("all", "")
    return (
        render_template(
            "keys/person.html",
            holder=holder,
            form=form,
            ends=ENDS,
            chosen={key.id: ends.get(key.id, every if every in ENDS else STAYS) for key in holder.keys},
            losses={key.id: loss_of_key(work.session, key) for key in holder.lost},
            sign=[one for name in ("receipt", "successor") if (one := record_id(request.args.get(name)))],
        ),
        form.status,
    )
