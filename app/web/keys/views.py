"""Who holds which key, a system's copies, one key, and the receipt that its holder signs."""

from __future__ import annotations

from collections.abc import Callable

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue

from app.documents import key_receipt_pdf
from app.errors import BitternError
from app.ledger.keys.key_queries import held_keys
from app.ledger.keys.keys import cut_copies, issue_keys, lose_key, order_copies, retire_key, return_copies, return_key
from app.ledger.keysystems.copy_numbers import read_copies, say_copies
from app.ledger.tables import Role
from app.web.access import roles
from app.web.errors import about
from app.web.files import PDF, send
from app.web.forms_base import attach, flash_and_redirect, one_line, typed
from app.web.keys.page import (
    BackForm,
    CutForm,
    IssueKeysForm,
    KeyNoteForm,
    OrderForm,
    key_page,
    read_held,
    read_receipt,
    receipt_paper,
    system_keys,
)
from app.web.query_args import read_page, read_text
from app.web.services import current_work

blueprint = Blueprint("keys", __name__, url_prefix="/keys")


@blueprint.get("")
@roles(Role.COUNTER, Role.BENCH)
def out() -> ResponseReturnValue:
    """Who holds what, overdue first."""
    work, question = current_work(), read_held(request.args)
    page = held_keys(work.session, work.today, question, read_page(request.args))
    return render_template("keys/out.html", page=page, question=question)


@blueprint.get("/system/<int:system_id>")
@roles(Role.COUNTER, Role.BENCH)
def system(system_id: int) -> ResponseReturnValue:
    """A system's keys by keyset; issue, order and cut."""
    page = system_keys(current_work(), system_id, read_text(request.args), read_page(request.args))
    for form in (page.issue, page.back, page.order, page.cut):
        form.symbol.data = one_line(request.args.get("keyset"))[:24]
    return render_template("keys/system.html", page=page, receipt=read_receipt(request.args))


@blueprint.post("/system/<int:system_id>/issue")
@roles(Role.COUNTER, Role.BENCH)
def issue(system_id: int) -> ResponseReturnValue:
    """Hand cut keys to a holder; the receipt to sign is offered next."""
    form, work = IssueKeysForm(prefix="issue-"), current_work()
    if done := form.run(lambda: issue_keys(work, form.said(system_id))):
        return flash_and_redirect(
            f"{typed(form.symbol)} is with {typed(form.holder)} now. Have receipt {done.value} signed.",
            "keys.system",
            system_id=system_id,
            receipt=done.value,
        )
    return render_template("keys/system.html", page=system_keys(work, system_id, issue=form), receipt=0), 422


@blueprint.post("/system/<int:system_id>/order")
@roles(Role.COUNTER, Role.BENCH)
def order(system_id: int) -> ResponseReturnValue:
    """Order further copies of a keyset."""
    form, work = OrderForm(prefix="order-"), current_work()
    wanted = form.count.data or 0  # none typed: the use case says how many it takes
    if done := form.run(
        lambda: order_copies(work, system_id, typed(form.symbol), wanted, typed(form.override_reason))
    ):
        return flash_and_redirect(
            f"{typed(form.symbol)}: {say_copies(done.value)} ordered.", "keys.system", system_id=system_id
        )
    return render_template("keys/system.html", page=system_keys(work, system_id, order=form), receipt=0), 422


@blueprint.post("/system/<int:system_id>/cut")
@roles(Role.COUNTER, Role.BENCH)
def cut(system_id: int) -> ResponseReturnValue:
    """Say that ordered copies are cut and stamped."""
    form, work = CutForm(prefix="cut-"), current_work()
    if form.validate_on_submit():
        try:
            copies = read_copies(typed(form.copies))
            cut_copies(work, system_id, typed(form.symbol), copies, typed(form.override_reason))
        except BitternError as error:
            attach(form, error)
        else:
            return flash_and_redirect(
                f"{typed(form.symbol)}: {say_copies(copies)} cut, and in the shop.",
                "keys.system",
                system_id=system_id,
            )
    return render_template("keys/system.html", page=system_keys(work, system_id, cut=form), receipt=0), 422


@blueprint.post("/system/<int:system_id>/back")
@roles(Role.COUNTER, Role.BENCH)
def back(system_id: int) -> ResponseReturnValue:
    """Take keys back by what is stamped on them; one that was never issued is told so."""
    form, work = BackForm(prefix="back-"), current_work()
    if form.validate_on_submit():
        try:
            copies = read_copies(typed(form.copies))
            return_copies(work, system_id, typed(form.symbol), copies)
        except BitternError as error:
            attach(form, error)
        else:
            return flash_and_redirect(
                f"{typed(form.symbol)}: {say_copies(copies)} back in the shop.", "keys.system", system_id=system_id
            )
    return render_template("keys/system.html", page=system_keys(work, system_id, back=form), receipt=0), 422


@blueprint.get("/<int:key_id>")
@roles(Role.COUNTER, Role.BENCH)
def key(key_id: int) -> ResponseReturnValue:
    """One key: where it is, what it turns, what happened to it."""
    page = key_page(current_work(), key_id)
    return render_template("keys/key.html", page=page, form=KeyNoteForm(obj=page.key))


def _press(key_id: int, use: Callable[[KeyNoteForm], str]) -> ResponseReturnValue:
    """One press on one key: `use` does it and says what was done."""
    work = current_work()
    form = KeyNoteForm()
    about(f"key system {key_page(work, key_id).key.keyset.system_id}", form)
    if done := form.run(lambda: use(form)):
        return flash_and_redirect(done.value, "keys.key", key_id=key_id)
    return render_template("keys/key.html", page=key_page(work, key_id), form=form), 422


@blueprint.post("/<int:key_id>/return")
@roles(Role.COUNTER, Role.BENCH)
def give_back(key_id: int) -> ResponseReturnValue:
    """Take a key back."""

    def use(form: KeyNoteForm) -> str:
        back = return_key(current_work(), key_id, form.version_read)
        return f"{back.keyset.symbol} copy {back.copy_number} is back in the shop."

    return _press(key_id, use)


@blueprint.post("/<int:key_id>/lost")
@roles(Role.COUNTER, Role.BENCH)
def lost(key_id: int) -> ResponseReturnValue:
    """Put on record that a key is lost."""

    def use(form: KeyNoteForm) -> str:
        gone, exposed = lose_key(current_work(), key_id, form.version_read, typed(form.note))
        count = len(exposed)
        words = f"{count} {'cylinder' if count == 1 else 'cylinders'}"
        return f"{gone.keyset.symbol} copy {gone.copy_number} is on record as lost. It exposes {words}."

    return _press(key_id, use)


@blueprint.post("/<int:key_id>/retire")
@roles(Role.COUNTER, Role.BENCH)
def retire(key_id: int) -> ResponseReturnValue:
    """Take a key out of use for good."""

    def use(form: KeyNoteForm) -> str:
        gone = retire_key(current_work(), key_id, form.version_read, typed(form.note))
        return f"{gone.keyset.symbol} copy {gone.copy_number} is out of use."

    return _press(key_id, use)


@blueprint.get("/receipts/<int:number>.pdf")
@roles(Role.COUNTER, Role.BENCH)
def receipt(number: int) -> ResponseReturnValue:
    """The receipt that the holder signs."""
    return send(key_receipt_pdf(receipt_paper(current_work(), number)), f"key-receipt-{number}.pdf", PDF)
