"""The owner's pages about the house's papers, its sales tax and its customer tiers."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.errors import BitternError
from app.ledger.catalog.price_editing import (
    get_tax_rule,
    get_tier,
    list_tax_rules,
    list_tiers,
    set_tax_rule,
    set_tier,
    tax_mark,
)
from app.ledger.catalog.price_queries import find_house, place_in_time
from app.ledger.catalog.prices import set_house
from app.ledger.store.event_queries import events_of
from app.web.access import roles
from app.web.errors import about
from app.web.forms_base import attach, typed
from app.web.house.settings_forms import HousePage, TaxRulePage, TierPage
from app.web.services import current_work, request_session

blueprint = Blueprint("settings", __name__, url_prefix="/house/settings")


@blueprint.route("", methods=["GET", "POST"])
@roles()
def index() -> ResponseReturnValue:
    """What stands on the house's papers; below it sales tax and tiers."""
    about("house")
    work = current_work()
    house = find_house(work.session)
    form = HousePage(obj=house)
    if form.validate_on_submit():
        try:
            set_house(work, form.read(), form.version_read if house else None)
        except BitternError as error:
            attach(form, error)
        else:
            flash("The house's settings are saved; papers that were issued stay as they were.")
            return redirect(url_for("settings.index"), 303)
    rules = list_tax_rules(work.session)
    return render_template(
        "house/settings.html",
        form=form,
        rules=place_in_time(rules, work.today, lambda rule: rule.place),
        tiers=list_tiers(work.session),
        events=events_of(work.session, "house", limit=10),
    ), 422 if form.is_submitted() else 200


@blueprint.route("/tax/new", methods=["GET", "POST"])
@roles()
def new_tax_rule() -> ResponseReturnValue:
    """A place's sales tax from a day on."""
    work = current_work()
    about("house")
    form = TaxRulePage(data=_start_of_tax())
    if form.validate_on_submit():
        try:
            set_tax_rule(work, form.read(), typed(form.seen))
        except BitternError as error:
            attach(form, error)
        else:
            flash(f"Sales tax of {typed(form.place)} is on record.")
            return redirect(url_for("settings.index"), 303)
    return render_template("house/tax_rule.html", form=form), 422 if form.is_submitted() else 200


def _start_of_tax() -> dict[str, Any]:
    """What stands in the form at first: the rule named in the address, to be replaced on its own first day."""
    named = request.args.get("rule", "")
    if not (named.isascii() and named.isdecimal() and len(named) < 10):
        return {"valid_from": current_work().today, "goods_taxed": True}
    row = get_tax_rule(request_session(), int(named))
    names = ("place", "goods_taxed", "labour_taxed", "valid_from")
    held = {name: getattr(row, name) for name in names}
    return {**held, "rate": Decimal(row.rate_percent), "seen": tax_mark(row)}


@blueprint.route("/tiers/new", methods=["GET", "POST"])
@roles()
def new_tier() -> ResponseReturnValue:
    """Add a customer tier."""
    return _tier_page(None)


@blueprint.route("/tiers/<int:tier_id>", methods=["GET", "POST"])
@roles()
def tier(tier_id: int) -> ResponseReturnValue:
    """Change a customer tier."""
    return _tier_page(tier_id)


def _tier_page(tier_id: int | None) -> ResponseReturnValue:
    about("house")
    found = get_tier(request_session(), tier_id) if tier_id is not None else None
    kept = {"percent_off": Decimal(found.percent_off)} if found else {}
    form = TierPage(obj=None, data={"name": found.name, "version": found.version, **kept} if found else None)
    if form.validate_on_submit():
        try:
            set_tier(current_work(), form.read(), tier_id, form.version_read)
        except BitternError as error:
            attach(form, error)
        else:
            flash(f"Tier {typed(form.name)} is saved.")
            return redirect(url_for("settings.index"), 303)
    return render_template("house/tier.html", form=form, tier=found), 422 if form.is_submitted() else 200
