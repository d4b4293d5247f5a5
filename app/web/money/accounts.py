"""A customer's account: every invoice and payment with the balance, a check for several, the statement."""

import re
import secrets
from datetime import date

from flask import Blueprint, flash, render_template, request
from flask.typing import ResponseReturnValue
from wtforms import HiddenField, SelectField
from wtforms.validators import InputRequired

from app.documents import account_receipt_pdf, statement_pdf
from app.errors import BitternError, Problem, Problems
from app.ledger.catalog.price_queries import get_house
from app.ledger.money.accounts import (
    AccountForm,
    account_receipt,
    give_credit_back,
    open_invoices,
    take_account_payment,
    use_credit,
)
from app.ledger.money.credit import set_credit_limit
from app.ledger.money.owing import statement_of
from app.ledger.money.payments import MEANS
from app.ledger.quoting.issuing import house_head
from app.ledger.store.numbers import account_payment_number
from app.ledger.tables import AccountPayment, Role
from app.pricing import AGE_CLASSES, read_cents, show_cents
from app.spreadsheets import read_date
from app.web.access import owner_only, roles
from app.web.errors import about
from app.web.fields import CentsField, DayField
from app.web.files import PDF, send
from app.web.forms_base import PageForm, SavedForm, flash_and_redirect, text, typed
from app.web.services import current_work

_INVOICE = re.compile(r"invoice-([0-9]{1,9})")

blueprint = Blueprint("accounts", __name__)


class AccountPage(PageForm):
    """Money that a customer pays at once, or is given back; invoices stand in boxes named for them."""

    cents = CentsField("Amount", [InputRequired("Enter an amount in dollars, as in 12.50.")])
    means = SelectField("By", choices={means: means for means in MEANS}, default="check")
    received_on = DayField("On", [InputRequired("Enter the day.")])
    note = text("Note", AccountPayment.note, hint="Check number, or why it is given back. No card numbers.")
    token = HiddenField()


class LimitPage(SavedForm):
    """The most that a customer may owe."""

    limit = CentsField("The most that may be owed", description="Empty: no limit. Asked when goods go.")


class CreditUsePage(PageForm):
    """A press that uses a customer's credit for what is open."""

    token = HiddenField()


def _since() -> date | None:
    """The day from which entries are wanted; None for all of them."""
    sent = request.args.get("since", "").strip()
    try:
        return read_date(sent, "since") if sent else None
    except BitternError:
        return None


@blueprint.route("/customers/<int:customer_id>/account", methods=["GET", "POST"])
@roles(Role.COUNTER)
def show(customer_id: int) -> ResponseReturnValue:
    """The account, and a check for several invoices."""
    form, work = AccountPage(), current_work()
    about(f"customer {customer_id}", form)
    if done := form.run(lambda: take_account_payment(work, customer_id, _read(form))):
        said = f"{show_cents(done.value.cents)} received: {account_payment_number(done.value.number)}."
        return flash_and_redirect(said, "accounts.show", customer_id=customer_id)
    return _page(customer_id, form=form), form.status


@blueprint.post("/customers/<int:customer_id>/account/credit")
@roles(Role.COUNTER)
def spend(customer_id: int) -> ResponseReturnValue:
    """Use the customer's credit for what is open."""
    form, work = CreditUsePage(), current_work()
    if form.run(lambda: use_credit(work, customer_id, work.today, typed(form.token))):
        return flash_and_redirect("The credit is used.", "accounts.show", customer_id=customer_id)
    for said in form.form_errors:
        flash(said, "caution")
    return _page(customer_id), 422


@blueprint.route("/customers/<int:customer_id>/account/refund", methods=["POST"])
@roles(Role.COUNTER)
def refund(customer_id: int) -> ResponseReturnValue:
    """Give credit back."""
    form, work = AccountPage(), current_work()
    about(f"customer {customer_id}", form)
    if done := form.run(lambda: give_credit_back(work, customer_id, form.into(AccountForm))):
        said = f"{show_cents(-done.value.cents)} given back."
        return flash_and_redirect(said, "accounts.show", customer_id=customer_id)
    return _page(customer_id, back=form), 422


@blueprint.post("/customers/<int:customer_id>/account/limit")
@owner_only
def limit(customer_id: int) -> ResponseReturnValue:
    """Set the customer's credit limit."""
    form, work = LimitPage(), current_work()
    about(f"customer {customer_id}", form)
    if form.run(lambda: set_credit_limit(work, customer_id, form.version_read, form.limit.data)):
        return flash_and_redirect("The credit limit is saved.", "accounts.show", customer_id=customer_id)
    return _page(customer_id, limit=form), 422


@blueprint.get("/customers/<int:customer_id>/statement.pdf")
@roles(Role.COUNTER)
def statement(customer_id: int) -> ResponseReturnValue:
    """The account as a paper for the customer."""
    work = current_work()
    found = statement_of(work.session, customer_id, work.today, _since())
    paper = statement_pdf(house_head(get_house(work.session)), found)
    return send(paper, f"statement-{customer_id}-{work.today.isoformat()}.pdf", PDF)


@blueprint.get("/account-payments/<int:number>.pdf")
@roles(Role.COUNTER)
def receipt(number: int) -> ResponseReturnValue:
    """The receipt of a payment to an account."""
    work = current_work()
    found = account_receipt(work.session, number)
    return send(account_receipt_pdf(house_head(get_house(work.session)), found), f"payment-{number}.pdf", PDF)


def _read(form: AccountPage) -> AccountForm:
    """The form, with what of it is for which invoice from the boxes `invoice-12`; Problems on what is no amount."""
    named, problems = {}, []
    for name, value in request.form.items():
        if (found := _INVOICE.fullmatch(name)) and value.strip():
            try:
                named[int(found[1])] = read_cents(value, "named")
            except BitternError as error:
                problems += [Problem("named", one.message) for one in error.problems]
    if problems:
        raise Problems(problems)
    return form.into(AccountForm, named=named)


def _page(customer_id: int, **refused: PageForm) -> str:
    work = current_work()
    found = statement_of(work.session, customer_id, work.today, _since())
    start = {"received_on": work.today}
    forms: dict[str, PageForm] = {
        name: AccountPage(formdata=None, data={**start, "token": secrets.token_hex(16)}) for name in ("form", "back")
    }
    held = {"version": found.customer.version, "limit": found.customer.credit_limit_cents}
    forms["limit"] = LimitPage(formdata=None, data=held)
    forms.update({name: one for name, one in refused.items() if one.is_submitted()})
    return render_template(
        "money/account.html",
        account=found,
        customer=found.customer,
        classes=AGE_CLASSES,
        debts=open_invoices(work.session, customer_id),
        spend=CreditUsePage(formdata=None, data={"token": secrets.token_hex(16)}),
        sent=request.form,
        **forms,
    )
