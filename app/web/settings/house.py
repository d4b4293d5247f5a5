"""The owner's pages about the house's papers, its sales tax and its customer tiers."""

from decimal import Decimal
from typing import Any

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue
from wtforms import BooleanField, HiddenField, RadioField
from wtforms.validators import InputRequired

from app.ledger.catalog.house_settings import HouseForm, set_house
from app.ledger.catalog.money_rules import money_rules_on, own_terms
from app.ledger.catalog.price_editing import (
    get_tax_rule,
    get_tier,
    list_tax_rules,
    list_tiers,
    set_deciding_day,
    set_tax_rule,
    set_tier,
    tax_mark,
)
from app.ledger.catalog.price_queries import (
    deciding_day_on,
    find_house,
    list_deciding_days,
    place_in_time,
    rule_in_words,
)
from app.ledger.store.events import events_of
from app.ledger.tables import House, PriceTier, TaxRuleRow
from app.pricing import TaxRule
from app.web.access import owner_only
from app.web.errors import about
from app.web.fields import DayField, PercentField, WholeField
from app.web.forms_base import PageForm, SavedForm, area, flash_and_redirect, text, typed
from app.web.query_args import read_id
from app.web.services import current_work, request_session
from app.web.settings.money import TermsFields

_DAYS = {"quote": "the day of the quote", "hand-over": "the day of hand-over"}


class HousePage(SavedForm):
    """What stands at the head and foot of the house's papers."""

    name = text("The house's name", House.name, needed="Enter the house's name.")
    address = area("Address", House.address)
    phone = text("Phone", House.phone)
    email = text("E-mail", House.email)
    tax_place = text("Taxed in", House.tax_place, hint="The place whose sales tax holds for walk-ins.")
    paper = RadioField("Paper", [InputRequired("Choose a paper.")], choices={"Letter": "Letter", "A4": "A4"})
    quote_days = WholeField(
        "A quote is valid for (days)", [InputRequired("Enter the number of days.")], least=1, most=365
    )
    second_check = BooleanField(
        "A second person checks", description="Who pinned a cylinder may not check it; each is ticked off."
    )
    least_margin_percent = PercentField(
        "Least margin, percent of the price", description="A price that leaves less asks to be looked at again."
    )
    keep_years = WholeField(
        "Tax records are kept for (years)",
        least=0,
        most=100,
        description="As your law asks (ask a lawyer); 0: not settled. Said where personal data is deleted.",
    )
    exclusions = area("Not included", House.exclusions, hint="Printed on every quote.", rows=4)
    terms = area("Terms", House.terms, hint="Printed on every quote.", rows=6)


class TaxRulePage(PageForm):
    """A place's sales tax from a day on."""

    place = text("Place", TaxRuleRow.place, hint="As customers and sites name it.", needed="Name the place.")
    rate = PercentField("Rate in percent", [InputRequired("Enter the rate, 0 where there is no sales tax.")])
    goods_taxed = BooleanField("Goods are taxed", default=True)
    labour_taxed = BooleanField("Labor is taxed")
    valid_from = DayField("From", [InputRequired("Enter the first day.")])
    seen = HiddenField()


class DecidingDayPage(PageForm):
    """Which day decides tax and prices, from a day on."""

    tax = RadioField("Sales tax is that of", [InputRequired("Choose a day.")], choices=_DAYS)
    prices = RadioField("Prices are those of", [InputRequired("Choose a day.")], choices=_DAYS)
    valid_from = DayField("From", [InputRequired("Enter the first day.")])


class TierPage(SavedForm, TermsFields):
    """A customer tier, and its own terms of payment."""

    name = text("Name", PriceTier.name, hint="Such as trade or contract.", needed="Enter the tier's name.")
    percent_off = PercentField(
        "Percent off catalog list",
        [InputRequired("Enter the percentage, 0 for none.")],
        description="An item's own price under Goods goes before it.",
    )
    has_terms = BooleanField("Terms of payment of its own", description="Else those of the house, under Money.")


blueprint = Blueprint("settings", __name__, url_prefix="/house/settings")


@blueprint.route("", methods=["GET", "POST"])
@owner_only
def index() -> ResponseReturnValue:
    """What stands on the house's papers; below it sales tax and tiers."""
    about("house")
    work = current_work()
    house = find_house(work.session)
    form = HousePage(obj=house)
    if form.run(lambda: set_house(work, form.into(HouseForm), form.version_read if house else None)):
        return flash_and_redirect(
            "The house's settings are saved; papers that were issued stay as they were.", "settings.index"
        )
    rules = list_tax_rules(work.session)
    return render_template(
        "settings/house.html",
        form=form,
        rules=place_in_time(rules, work.today, lambda rule: rule.place),
        deciding=place_in_time(list_deciding_days(work.session), work.today, lambda row: "house"),
        rule_in_words=rule_in_words,
        tiers=list_tiers(work.session),
        events=events_of(work.session, "house", limit=10),
    ), form.status


@blueprint.route("/tax/new", methods=["GET", "POST"])
@owner_only
def new_tax_rule() -> ResponseReturnValue:
    """A place's sales tax from a day on."""
    work = current_work()
    about("house")
    form = TaxRulePage(data=_start_of_tax())
    if form.run(lambda: set_tax_rule(work, form.into(TaxRule), typed(form.seen))):
        return flash_and_redirect(f"Sales tax of {typed(form.place)} is saved.", "settings.index")
    return render_template("settings/tax_rule.html", form=form), form.status


def _start_of_tax() -> dict[str, Any]:
    """What stands in the form at first: the rule named in the address, to be replaced on its own first day."""
    named = read_id(request.args, "rule")
    if named is None:
        return {"valid_from": current_work().today, "goods_taxed": True}
    row = get_tax_rule(request_session(), named)
    names = ("place", "goods_taxed", "labour_taxed", "valid_from")
    held = {name: getattr(row, name) for name in names}
    return {**held, "rate": Decimal(row.rate_percent), "seen": tax_mark(row)}


@blueprint.route("/deciding-day", methods=["GET", "POST"])
@owner_only
def deciding_day() -> ResponseReturnValue:
    """Which day decides a quote's sales tax, and which its prices, where they change before it is ready."""
    work = current_work()
    about("house")
    row = deciding_day_on(work.session, work.today)
    names = {False: "quote", True: "hand-over"}
    held = {"tax": names[bool(row and row.tax_of_hand_over)], "prices": names[bool(row and row.prices_of_hand_over)]}
    form = DecidingDayPage(data={"valid_from": work.today, **held})
    if form.run(
        lambda: set_deciding_day(
            work,
            form.valid_from.data,
            tax_of_hand_over=form.tax.data == "hand-over",
            prices_of_hand_over=form.prices.data == "hand-over",
        )
    ):
        return flash_and_redirect("Which day decides is saved.", "settings.index")
    return render_template("settings/deciding_day.html", form=form), form.status


@blueprint.route("/tiers/new", methods=["GET", "POST"])
@blueprint.route("/tiers/<int:tier_id>", methods=["GET", "POST"])
@owner_only
def tier(tier_id: int | None = None) -> ResponseReturnValue:
    """Add a customer tier, or change one."""
    about("house")
    found = get_tier(request_session(), tier_id) if tier_id is not None else None
    kept = {"percent_off": Decimal(found.percent_off)} if found else {}
    form = TierPage(obj=None, data={"name": found.name, "version": found.version, **kept} if found else None)
    if not form.is_submitted():
        own = own_terms(found) if found else None
        form.has_terms.data = own is not None
        form.fill_terms(own or money_rules_on(request_session(), current_work().today).terms)

    def save() -> PriceTier:
        terms = form.terms if form.has_terms.data else None
        off = form.percent_off.data
        return set_tier(current_work(), typed(form.name), off, tier_id, form.version_read, terms=terms)

    if form.run(save):
        return flash_and_redirect(f"Tier {typed(form.name)} is saved.", "settings.index")
    return render_template("settings/tier.html", form=form, tier=found), form.status
