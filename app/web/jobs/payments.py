"""A job's payments: what is due, take one, print its receipt."""

from __future__ import annotations

from datetime import date

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue
from wtforms import RadioField, SelectField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs
from wtforms.validators import InputRequired

from app.documents import payment_receipt_pdf
from app.ledger.catalog.price_queries import get_house
from app.ledger.jobs.payments import MEANS, JobPayments, PaymentForm, PaymentKind, payments_of, take_payment
from app.ledger.quoting.issuing import house_head
from app.ledger.store.errors import NotFound
from app.ledger.tables import ON_ACCOUNT, Role
from app.pricing import show_cents
from app.web.access import roles
from app.web.errors import about
from app.web.fields import CentsField, DayField
from app.web.files import PDF, send
from app.web.forms_base import SavedForm, flash_and_redirect, text
from app.web.services import current_work

_WORDS = {
    PaymentKind.DEPOSIT: "Deposit, before the work",
    PaymentKind.PAYMENT: "Payment",
    PaymentKind.REFUND: "Refund: paid too much, twice or in error",
    PaymentKind.OFF_PRICE: "Refund off the price: brought back, or let off",
}
_MEANS = {ON_ACCOUNT: "on account: stays owed"}


class TakePaymentForm(SavedForm):
    """Money that came in, or goes back; `version` is how many payments stood there, so none is written twice."""

    kind = RadioField(
        "Which",
        [InputRequired("Choose which it is.")],
        choices=[SelectChoice(kind.value, _WORDS[kind]) for kind in PaymentKind],
    )
    cents = CentsField("Amount", [InputRequired("Enter an amount in dollars, as in 12.50.")])
    means = SelectField("By", choices=[SelectChoice(means, _MEANS.get(means, means)) for means in MEANS])
    received_on = DayField("On", [InputRequired("Enter the day.")])
    note = text("Note", 180, hint="Check number, or why it is given back. Do not write card numbers here.")

    def fill(self, page: JobPayments, today: date) -> None:
        """What a fresh form starts from: what is missing of the deposit, else what is left to pay; today.

        A job that came to nothing starts from what is to be given back.
        """
        self.version.data = str(page.version)
        self.received_on.data = today
        if page.came_to_nothing:
            self.kind.data, self.cents.data = PaymentKind.REFUND.value, page.money.paid_cents or None
            return
        deposit, balance = page.money.deposit_left_cents, page.money.balance_cents
        back = PaymentKind.REFUND if balance or page.job.agreed_cents is None else PaymentKind.OFF_PRICE
        kind = PaymentKind.DEPOSIT if deposit else PaymentKind.PAYMENT if balance > 0 else back
        self.kind.data = kind.value
        self.cents.data = (deposit or balance) if balance > 0 else None


blueprint = Blueprint("payments", __name__, url_prefix="/jobs")


@blueprint.route("/<int:number>/payments", methods=["GET", "POST"])
@roles(Role.COUNTER)
def job(number: int) -> ResponseReturnValue:
    """What is due and what was paid; take a payment."""
    form, work = TakePaymentForm(), current_work()
    about(f"job {number}", form)
    if done := form.run(lambda: take_payment(work, number, form.version_read, form.into(PaymentForm))):
        word = "given back" if done.value.kind.goes_back else "received"
        if done.value.is_on_account:
            word = "let off the price" if done.value.kind.goes_back else "put on account"
        nothing = payments_of(work.session, number).came_to_nothing
        left = "nothing is due" if nothing else f"{show_cents(done.value.balance_cents)} left to pay"
        return flash_and_redirect(f"{show_cents(done.value.cents)} {word}; {left}.", "payments.job", number=number)
    page = payments_of(work.session, number)
    if not form.is_submitted():
        form.fill(page, work.today)
    return render_template("jobs/payments.html", page=page, form=form), form.status


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
