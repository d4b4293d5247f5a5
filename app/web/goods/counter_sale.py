"""A sale at the counter on one page: accept, pay, hand over, print the receipt."""

from flask import Blueprint, flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue
from wtforms import HiddenField, RadioField, SelectField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs

from app.documents import quote_page, sale_receipt_pdf
from app.ledger.goods.counter_sale import CounterSale, SaleForm, counter_sale, sell_at_counter
from app.ledger.goods.handing_over import still_open
from app.ledger.goods.papers import sale_receipt
from app.ledger.jobs.queries import get_job
from app.ledger.money.payments import MEANS
from app.ledger.store.errors import NotFound
from app.ledger.tables import ON_ACCOUNT, Job, Role, Stage
from app.pricing import show_cents
from app.web.access import roles
from app.web.errors import about
from app.web.files import PDF, send
from app.web.forms_base import SavedForm, text
from app.web.jobs.page import OVER_THE_LIMIT, TakerForm
from app.web.quotes.accepting import ways_to_accept
from app.web.quotes.views import quote_view
from app.web.services import current_work

_MEANS = {ON_ACCOUNT: "on account: an invoice"}

blueprint = Blueprint("counter_sale", __name__)


class SalePage(SavedForm):
    """Who takes it, and how all of it is paid."""

    accepted_by = text("Accepted and taken by", Job.accepted_by, needed="Enter who accepts it and takes it.")
    means = SelectField("Paid by", choices=[SelectChoice(one, _MEANS.get(one, one)) for one in (*MEANS, ON_ACCOUNT)])
    note = text("Note", 180, hint="Check number. Do not write card numbers here.")
    po_number = text("Their order number", Job.po_number)
    option = RadioField("Option", choices=[], validate_choice=False)
    override_reason = text("Go on without written authority because", 500, hint="It stays on record.")
    lost_reason = text("Key under a lost key because", 500, hint="It stays on record.")
    credit = text(OVER_THE_LIMIT, 300, hint="It stays on record.")
    seen = HiddenField()


@blueprint.route("/jobs/<int:number>/sale", methods=["GET", "POST"])
@roles(Role.COUNTER)
def page(number: int) -> ResponseReturnValue:
    """Sell a quoted job over the counter; once it is sold, what became of it."""
    about(f"job {number}")
    work, form = current_work(), SalePage()
    view = quote_view(work, number)
    ways = ways_to_accept(work, view) if view.job.stage is Stage.QUOTED else []
    form.option.choices = [SelectChoice(name, words) for name, words in ways]
    given = {"version": form.version_read, "accepted_on": work.today}
    if form.run(lambda: sell_at_counter(work, number, form.into(SaleForm, **given))):
        return redirect(url_for("counter_sale.page", number=number), 303)
    sale = counter_sale(work, number, str(form.option.data or "A") if ways else "")
    if sale.job.stage in (Stage.ASKED, Stage.LOST, Stage.CANCELED):
        flash(f"Job {number} is {sale.job.stage.word}: there is nothing to sell.", "caution")
        return redirect(url_for("jobs.show", number=number), 303)
    if not form.is_submitted():
        form.version.data = str(sale.job.version)
        form.seen.data = sale.plan.mark if sale.plan is not None and not ways else ""
    taker = TakerForm(formdata=None, version=sale.job.version, taken_by=sale.job.accepted_by)
    template = "goods/counter_sale.html"
    known = still_open(work.session, sale.job).mark
    shown = {"view": view, "paper": quote_page(view.snapshot), "said": _said(sale), "known": known}
    return render_template(template, sale=sale, form=form, taker=taker, **shown), form.status


def _said(sale: CounterSale) -> str:
    """How the sale stands, in a sentence."""
    paid = f"{show_cents(sale.money.paid_cents)} of {show_cents(sale.money.total_cents)} is paid."
    if sale.is_over and sale.handed:
        return f"Sold and handed over to {sale.handed[-1].taken_by}. {paid}"
    if sale.can_go:
        return f"Sold. {paid} All of it is here."
    waits = " and ".join(sale.waits) or "goods to come"
    return f"Sold. {paid} It waits for {waits}."


@blueprint.get("/jobs/<int:number>/sale/receipt.pdf")
@roles(Role.COUNTER)
def receipt(number: int) -> ResponseReturnValue:
    """The receipt of all that was sold, paid and handed over."""
    work = current_work()
    job = get_job(work.session, number)
    if not job.stage.was_accepted:
        raise NotFound("sale of this job")
    return send(sale_receipt_pdf(sale_receipt(work, job)), f"sale-{number}.pdf", PDF)
