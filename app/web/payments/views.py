"""A job's payments: what is due, take one, print its receipt."""

from __future__ import annotations

from flask import Blueprint, flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue

from app.documents import payment_receipt_pdf
from app.errors import BitternError
from app.ledger.catalog.price_queries import get_house
from app.ledger.jobs.payments import payments_of, take_payment
from app.ledger.quoting.issuing import house_head
from app.ledger.store.errors import NotFound
from app.ledger.tables import Role
from app.pricing import show_cents
from app.web.access import roles
from app.web.errors import about
from app.web.files import PDF, send
from app.web.forms_base import attach
from app.web.payments.forms import TakePaymentForm
from app.web.services import current_work

blueprint = Blueprint("payments", __name__, url_prefix="/jobs")


@blueprint.route("/<int:number>/payments", methods=["GET", "POST"])
@roles(Role.COUNTER)
def job(number: int) -> ResponseReturnValue:
    """What is due and what was paid; take a payment."""
    form, work = TakePaymentForm(), current_work()
    about(f"job {number}", form)
    if form.validate_on_submit():
        try:
            receipt = take_payment(work, number, form.version_read, form.said)
        except BitternError as error:
            attach(form, error)
        else:
            word = "given back" if receipt.kind.goes_back else "received"
            if receipt.is_on_account:
                word = "let off the price" if receipt.kind.goes_back else "put on account"
            nothing = payments_of(work.session, number).came_to_nothing
            left = "nothing is due" if nothing else f"{show_cents(receipt.balance_cents)} left to pay"
            flash(f"{show_cents(receipt.cents)} {word}; {left}.")
            return redirect(url_for("payments.job", number=number), 303)
    page = payments_of(work.session, number)
    if not form.is_submitted():
        form.fill(page, work.today)
    return render_template("payments/job.html", page=page, form=form), 422 if form.is_submitted() else 200


@blueprint.get("/<int:number>/payments/<int:place>.pdf")
@roles(Role.COUNTER)
def receipt(number: int, place: int) -> ResponseReturnValue:
    """The receipt of the job's first, second … payment."""
    work = current_work()
    receipts = payments_of(work.session, number).receipts
    if not 1 <= place <= len(receipts):
        raise NotFound("payment of this job")
    found = receipts[place - 1]
    house = house_head(get_house(work.session))
    return send(payment_receipt_pdf(house, found), f"receipt-{found.number}.pdf", PDF)
