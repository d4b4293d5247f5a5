"""A job's invoices and credit notes: what may be invoiced now with its figures, and each paper."""

import re
import secrets
from collections.abc import Mapping
from decimal import Decimal

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue
from wtforms import HiddenField, RadioField
from wtforms.validators import InputRequired

from app.documents import invoice_pdf
from app.errors import Problem, Problems
from app.ledger.catalog.money_rules import money_rules_on
from app.ledger.jobs.queries import get_job, job_money
from app.ledger.money.crediting import (
    CreditForm,
    cancel_invoice,
    credit_left,
    credit_lines,
    credited_of,
    get_invoice,
    open_of,
)
from app.ledger.money.invoice_snapshot import read_invoice
from app.ledger.money.invoicing import (
    InvoiceForm,
    Invoicing,
    NextInvoice,
    invoice_job,
    next_invoice,
    papers_of_money,
)
from app.ledger.money.settling import invoices_of_jobs
from app.ledger.store.errors import LedgerError
from app.ledger.store.numbers import invoice_number
from app.ledger.tables import Invoice, InvoiceKind, Job, Role
from app.pricing import show_cents
from app.web.access import roles
from app.web.errors import about
from app.web.fields import CentsField, PercentField
from app.web.files import PDF, send
from app.web.forms_base import SavedForm, flash_and_redirect, text, typed
from app.web.services import current_work

_PIECES = re.compile(r"pieces-([0-9]{1,4}[a-z]?)")

blueprint = Blueprint("invoices", __name__)


class IssuePage(SavedForm):
    """What of a job is invoiced."""

    # What is no longer on offer since the page was opened is refused by the use case, which says why.
    which = RadioField("Invoice", [InputRequired("Choose what is invoiced.")], validate_choice=False)
    cents = CentsField("Deposit", description="Of a deposit alone: how much.")
    token = HiddenField()

    def offer(self, plans: Mapping[Invoicing, NextInvoice]) -> None:
        """What can be invoiced now, each with what it comes to."""
        names = {
            Invoicing.HANDED_OVER: "What was handed over",
            Invoicing.ALL: "All of it, before it is handed over",
            Invoicing.DEPOSIT: "A deposit",
        }
        self.which.choices = {
            which.value: f"{names[which]}: {show_cents(plan.total_cents)}" for which, plan in plans.items()
        }


class CreditPage(SavedForm):
    """What is credited of an invoice; the pieces stand in boxes named for their lines."""

    reason = text("Reason", Invoice.reason, hint="What is changed and why; the credit note prints it.")
    restocking_percent = PercentField("Restocking charge, percent", description="Of what comes back, before tax.")
    token = HiddenField()


class CancelPage(SavedForm):
    """Why all of an invoice is canceled."""

    reason = text("Reason", Invoice.reason, hint="The credit note prints it.")
    token = HiddenField()


@blueprint.route("/jobs/<int:number>/invoices", methods=["GET", "POST"])
@roles(Role.COUNTER)
def of_job(number: int) -> ResponseReturnValue:
    """What is invoiced of a job, and what can be."""
    form, work = IssuePage(), current_work()
    about(f"job {number}", form)
    job = get_job(work.session, number)
    plans, why = _plans(job)
    form.offer(plans)

    def issue() -> Invoice:
        which = next((one for one in Invoicing if one.value == typed(form.which)), Invoicing.HANDED_OVER)
        cents = form.cents.data if which is Invoicing.DEPOSIT else None
        return invoice_job(work, number, form.version_read, InvoiceForm(which, typed(form.token), cents))

    if done := form.run(issue):
        said = f"{done.value.kind.words} {invoice_number(done.value.number)} is issued"
        return flash_and_redirect(
            f"{said}: {show_cents(done.value.total_cents)}.", "invoices.show", number=done.value.number
        )
    papers = papers_of_money(work.session, job)
    if not form.is_submitted():
        form.version.data, form.token.data = str(len(papers) + 1), secrets.token_hex(16)
        form.which.data = next((which.value for which in plans), None)
        if Invoicing.DEPOSIT in plans:
            form.cents.data = plans[Invoicing.DEPOSIT].total_cents
    return render_template(
        "money/job_invoices.html",
        job=job,
        money=job_money(job),
        form=form,
        plans=plans,
        why=why,
        papers=papers,
        left={one.invoice.id: one.open_cents for one in invoices_of_jobs(work.session, [job.id])},
    ), form.status


def _plans(job: Job) -> tuple[dict[Invoicing, NextInvoice], str]:
    """What can be invoiced now, and why nothing can."""
    work, found, why = current_work(), {}, ""
    for which in Invoicing:
        try:
            found[which] = next_invoice(work.session, job, which, work.today)
        except LedgerError as error:
            why = why or error.message
    both = found.get(Invoicing.HANDED_OVER), found.get(Invoicing.ALL)
    if both[0] and both[1] and both[0].lines == both[1].lines:
        del found[Invoicing.ALL]
    return found, why


@blueprint.get("/invoices/<int:number>")
@roles(Role.COUNTER)
def show(number: int) -> ResponseReturnValue:
    """An invoice or credit note, and what is left to pay of it."""
    return _page(number)


@blueprint.get("/invoices/<int:number>.pdf")
@roles(Role.COUNTER)
def pdf(number: int) -> ResponseReturnValue:
    """The paper, from what was frozen when it was issued."""
    found = get_invoice(current_work().session, number)
    return send(invoice_pdf(read_invoice(found.snapshot)), f"invoice-{number}.pdf", PDF)


@blueprint.post("/invoices/<int:number>/credit")
@roles(Role.COUNTER)
def credit(number: int) -> ResponseReturnValue:
    """Credit pieces of an invoice."""
    form, work = CreditPage(), current_work()
    invoice = get_invoice(work.session, number)
    about(f"job {invoice.job.number}", form)

    def write() -> Invoice:
        percent = form.restocking_percent.data or Decimal(0)
        given = CreditForm(_pieces(), typed(form.reason), typed(form.token), restocking_percent=percent)
        return credit_lines(work, invoice.id, form.version_read, given)

    if done := form.run(write):
        return _credited(done.value)
    return _page(number, credit=form), 422


@blueprint.post("/invoices/<int:number>/cancel")
@roles(Role.COUNTER)
def cancel(number: int) -> ResponseReturnValue:
    """Cancel all of an invoice by a credit note."""
    form, work = CancelPage(), current_work()
    invoice = get_invoice(work.session, number)
    about(f"job {invoice.job.number}", form)
    if done := form.run(
        lambda: cancel_invoice(work, invoice.id, form.version_read, typed(form.reason), typed(form.token))
    ):
        return _credited(done.value)
    return _page(number, cancel=form), 422


def _credited(note: Invoice) -> ResponseReturnValue:
    said = f"Credit note {invoice_number(note.number)} is issued: {show_cents(note.total_cents)}."
    return flash_and_redirect(said, "invoices.show", number=note.number)


def _pieces() -> dict[str, int]:
    """How many of which line, from the boxes `pieces-1a`; Problems on a count that is none."""
    counts, problems = {}, []
    for name, value in request.form.items():
        if (found := _PIECES.fullmatch(name)) and (count := value.strip()):
            if count.isascii() and count.isdecimal() and len(count) < 7:
                counts[found[1]] = int(count)
            else:
                problems.append(Problem("lines", f"Line {found[1]}: “{count[:20]}” is no count of pieces."))
    if problems:
        raise Problems(problems)
    return counts


def _page(number: int, **refused: SavedForm) -> str:
    work = current_work()
    invoice = get_invoice(work.session, number)
    papers = papers_of_money(work.session, invoice.job)
    version = str(len(papers) + 1)
    usual = money_rules_on(work.session, work.today).restocking_percent
    forms = {
        "credit": CreditPage(formdata=None, data={"version": version, "token": secrets.token_hex(16)}),
        "cancel": CancelPage(formdata=None, data={"version": version, "token": secrets.token_hex(16)}),
    }
    forms["credit"].restocking_percent.data = usual or None
    is_gone = any(one.cancels for one in credited_of(work.session, invoice))
    return render_template(
        "money/invoice.html",
        invoice=invoice,
        paper=read_invoice(invoice.snapshot),
        left=None if invoice.kind is InvoiceKind.CREDIT_NOTE else open_of(work.session, invoice),
        notes=credited_of(work.session, invoice),
        is_gone=is_gone,
        lines=credit_left(work.session, invoice),
        sent=request.form,
        **{**forms, **refused},
    )
