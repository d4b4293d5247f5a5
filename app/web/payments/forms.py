"""The form that takes a payment."""

from __future__ import annotations

from datetime import date

from wtforms import RadioField, SelectField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs
from wtforms.validators import InputRequired

from app.ledger.jobs.payments import MEANS, JobPayments, PaymentForm, PaymentKind
from app.ledger.tables import ON_ACCOUNT
from app.web.fields import CentsField, DayField
from app.web.forms_base import SavedForm, text, typed

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

    @property
    def said(self) -> PaymentForm:
        """As the use case takes it, once the form is valid."""
        return PaymentForm(
            PaymentKind(typed(self.kind)), self.cents.data, typed(self.means), self.received_on.data, typed(self.note)
        )
