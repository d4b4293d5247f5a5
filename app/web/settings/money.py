"""The owner's page about money: terms of payment and what places and houses settle differently, from a day on."""

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue
from wtforms import RadioField
from wtforms.validators import InputRequired

from app.ledger.catalog.money_rules import list_money_rules, money_rules_on, set_money_rules
from app.ledger.catalog.price_queries import place_in_time
from app.ledger.tables import MoneyRulesRow
from app.pricing import Dating, MoneyRules, PaymentTerms, TaxCents, TaxRounding, UseOrder
from app.web.access import owner_only
from app.web.errors import about
from app.web.fields import DayField, PercentField, WholeField
from app.web.forms_base import PageForm, flash_and_redirect, typed
from app.web.services import current_work
from app.web.templating import show_day

blueprint = Blueprint("money_rules", __name__, url_prefix="/house/settings/money")

_ROUNDINGS = {
    TaxRounding.HALF_UP: "half a cent and more counts as a whole one",
    TaxRounding.STEPS: "any part of a cent counts as a whole one (steps)",
    TaxRounding.HALF_DROPPED: "half a cent is dropped, more counts as a whole one",
    TaxRounding.NO_HALF_CENT: "half a cent counts as a whole one, but tax of half a cent in all is not due",
}
_DATINGS = {
    Dating.INVOICE: "the day of the invoice",
    Dating.END_OF_MONTH: "the end of its month",
    Dating.RECEIPT: "the day the goods were received",
}
_ORDERS = {
    UseOrder.OLDEST_FIRST: "for the invoice that was due first, then the next",
    UseOrder.IN_PROPORTION: "for all open invoices, in proportion",
}


class TermsFields(PageForm):
    """Terms of payment, as the house and each tier has them."""

    due_days = WholeField("Due in days", least=0, most=365, description="0: at once.")
    cash_percent = PercentField("Off for paying early, percent", description="0: nothing.")
    cash_days = WholeField("Paid within days", least=0, most=365)
    dating = RadioField(
        "Days are counted from",
        choices={one.value: words for one, words in _DATINGS.items()},
        default=Dating.INVOICE.value,
        validate_choice=False,  # what is none of them counts as the first
    )

    @property
    def terms(self) -> PaymentTerms:
        """The terms as pricing knows them; Problems on the boxes that cannot be."""
        return PaymentTerms(
            self.due_days.data or 0,
            self.cash_percent.data or PaymentTerms().cash_percent,
            self.cash_days.data or 0,
            next((one for one in Dating if one.value == typed(self.dating)), Dating.INVOICE),
        )

    def fill_terms(self, terms: PaymentTerms) -> None:
        """What a fresh form starts from."""
        self.due_days.data, self.cash_percent.data = terms.due_days, terms.cash_percent
        self.cash_days.data, self.dating.data = terms.cash_days, terms.dating.value


class MoneyRulesPage(TermsFields):
    """What the house settled about money."""

    late_in_month = WholeField(
        "Late in the month from day",
        least=0,
        most=31,
        description="Counted from the end of the month, an invoice from this day on has one month more; 0: never.",
    )
    part = RadioField(
        "A part payment that comes early",
        choices={"share": "has its share of the discount", "none": "has none of it"},
    )
    rounding = RadioField("In sales tax", choices={one.value: words for one, words in _ROUNDINGS.items()})
    tax_of = RadioField(
        "Tax is rounded", choices={"line": "of each line", "invoice": "of all lines of a paper together"}
    )
    restocking_percent = PercentField("Usual restocking charge, percent", description="Of what comes back; 0: none.")
    restocking = RadioField(
        "Sales tax on what is kept as a restocking charge",
        choices={"back": "is given back: the charge is not taxed", "kept": "is kept"},
    )
    use_order = RadioField(
        "A payment that names no invoice is used", choices={one.value: words for one, words in _ORDERS.items()}
    )
    age = RadioField(
        "The age of a debt counts",
        choices={"after": "from the day after it was due", "both": "the day it was due and today, both"},
    )
    valid_from = DayField("From", [InputRequired("Enter the first day.")])

    def fill(self, rules: MoneyRules) -> None:
        """What a fresh form starts from."""
        self.fill_terms(rules.terms)
        self.late_in_month.data, self.restocking_percent.data = rules.late_in_month, rules.restocking_percent
        self.part.data = "share" if rules.discount_on_part else "none"
        self.rounding.data = rules.tax.rounding.value
        self.tax_of.data = "invoice" if rules.tax.by_invoice else "line"
        self.restocking.data = "kept" if rules.restocking_taxed else "back"
        self.use_order.data = rules.use_order.value
        self.age.data = "both" if rules.counts_both_days else "after"

    def read(self) -> MoneyRules:
        """The rules; Problems on the boxes that cannot be."""
        return MoneyRules(
            terms=self.terms,
            late_in_month=self.late_in_month.data or 0,
            discount_on_part=self.part.data == "share",
            tax=TaxCents(TaxRounding(typed(self.rounding)), self.tax_of.data == "invoice"),
            restocking_percent=self.restocking_percent.data or MoneyRules().restocking_percent,
            restocking_taxed=self.restocking.data == "kept",
            use_order=UseOrder(typed(self.use_order)),
            counts_both_days=self.age.data == "both",
        )


@blueprint.route("", methods=["GET", "POST"])
@owner_only
def index() -> ResponseReturnValue:
    """The rules in force, those to come, and a form for others."""
    about("house")
    form, work = MoneyRulesPage(), current_work()
    if done := form.run(lambda: set_money_rules(work, form.valid_from.data, form.read())):
        said = f"The rules about money from {show_day(done.value.valid_from)} on are saved."
        return flash_and_redirect(said, "money_rules.index")
    now = money_rules_on(work.session, work.today)
    if not form.is_submitted():
        form.fill(now)
        form.valid_from.data = work.today
    rows = place_in_time(list_money_rules(work.session), work.today, lambda row: "house")
    return render_template(
        "settings/money.html", form=form, now=now, rows=[(row, state, _read(row)) for row, state in rows]
    ), form.status


def _read(row: MoneyRulesRow) -> MoneyRules:
    return MoneyRules.from_json(row.terms)
