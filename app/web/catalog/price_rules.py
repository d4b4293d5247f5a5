"""The owner's pages about price rules: how prices come about from cost or list."""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue
from wtforms import BooleanField, HiddenField, RadioField, SelectField
from wtforms.validators import InputRequired

from app.errors import BitternError
from app.ledger.catalog.maker_queries import list_makers
from app.ledger.catalog.price_book import ruled_categories
from app.ledger.catalog.price_queries import least_margin, margin_percent, tier_names
from app.ledger.catalog.price_rules import (
    SUBJECT,
    end_rule,
    get_rule,
    list_rules,
    rule_subject,
    rule_words,
    ruled_items,
    set_rule,
)
from app.ledger.store.events import events_of
from app.ledger.tables import PriceRuleRow
from app.pricing import PriceBasis, PriceRule
from app.web.access import owner_only
from app.web.errors import about
from app.web.fields import DayField, PercentField
from app.web.forms_base import PageForm, SavedForm, flash_and_redirect, text, typed
from app.web.query_args import read_id
from app.web.services import current_work, request_session

_BASES = {
    PriceBasis.COST_TIMES.value: "cost times the figure",
    PriceBasis.MARGIN.value: "the figure is the margin, percent of the price",
    PriceBasis.LIST_LESS.value: "list less the figure, percent",
}


class FigureField(PercentField):
    """A multiplier or a percentage of at most four decimals, held as Decimal."""

    def read(self, text: str) -> Decimal:
        try:
            return super().read(text)
        except BitternError as error:
            raise ValueError("Enter a number from 0 to 100, at most four decimals, as in 1.85 or 40.") from error


class RulePage(PageForm):
    """One rule from a day on."""

    basis = RadioField("The price is", [InputRequired("Choose how the price comes about.")], choices=_BASES)
    figure = FigureField(
        "Figure",
        [InputRequired("Enter the multiplier or the percentage.")],
        render_kw={"inputmode": "decimal", "class": "amount"},
    )
    code = text("Code or part number", PriceRuleRow.code, hint="Empty: any.", render_kw={"class": "code"})
    category = SelectField("Category", validate_choice=False)
    maker = SelectField("Maker", validate_choice=False)
    tier = SelectField("For", validate_choice=False)
    valid_from = DayField("From", [InputRequired("Enter the first day.")])
    is_thin_meant = BooleanField("Set it in spite of the thin margin")
    seen = HiddenField()

    def offer(self, categories: Sequence[str], makers: Mapping[str, str], tiers: Sequence[str]) -> None:
        """Fill the lists."""
        self.category.choices = {"": "any", **{name: name for name in categories}}
        self.maker.choices = {"": "any", **makers}
        self.tier.choices = {"": "everybody", **{name: name for name in tiers}}

    def rule(self) -> PriceRule:
        """The rule; what is left empty means any."""
        return self.into(
            PriceRule, **{name: typed(self[name]) or None for name in ("code", "category", "maker", "tier")}
        )


class EndRulePage(SavedForm):
    """The last day of a rule."""

    last_day = DayField("Last day", [InputRequired("Enter the last day.")])


blueprint = Blueprint("rules", __name__, url_prefix="/prices/rules")
_WORDS = {"rule_words": rule_words, "rule_subject": rule_subject, "margin_percent": margin_percent}


@blueprint.get("")
@owner_only
def index() -> ResponseReturnValue:
    """Every rule, and what happened to them."""
    work = current_work()
    return render_template(
        "catalog/price_rules.html",
        rules=list_rules(work.session, work.today),
        least=least_margin(work.session),
        events=events_of(work.session, SUBJECT, limit=20),
        **_WORDS,
    )


@blueprint.get("/<int(max=999999999):rule_id>")
@owner_only
def show(rule_id: int) -> ResponseReturnValue:
    """One rule and the catalog items it speaks of, priced by it."""
    row = get_rule(request_session(), rule_id)
    count, items = ruled_items(request_session(), row)
    return render_template(
        "catalog/price_rule.html", rule=row, count=count, items=items, least=least_margin(request_session()), **_WORDS
    )


@blueprint.route("/set", methods=["GET", "POST"])
@owner_only
def set_one() -> ResponseReturnValue:
    """A rule from a day on: a new one, or the next of the rule named in the address."""
    work = current_work()
    about(SUBJECT)
    form = RulePage(data=_start())
    makers = {maker.code: maker.name for maker, _, _ in list_makers(work.session)}
    form.offer(ruled_categories(work.session), makers, tier_names(work.session))
    if done := form.run(
        lambda: set_rule(work, form.rule(), read_id(request.form, "seen"), is_thin_meant=form.is_thin_meant.data)
    ):
        return flash_and_redirect("The price rule is saved.", "rules.show", rule_id=done.value.id)
    return render_template("catalog/set_price_rule.html", form=form), form.status


def _start() -> dict[str, Any]:
    """What stands in the form at first: the rule named in the address, from today or from its own day."""
    today = current_work().today
    named = read_id(request.args, "rule")
    if named is None:
        return {"valid_from": today, "basis": "cost times"}
    row = get_rule(request_session(), named)
    is_own_day = row.valid_from >= today
    names = ("basis", "figure", "code", "category", "maker", "tier")
    return {
        **{name: getattr(row, name) for name in names},
        "valid_from": row.valid_from if is_own_day else today,
        "seen": row.version if is_own_day else "",
    }


@blueprint.route("/<int(max=999999999):rule_id>/end", methods=["GET", "POST"])
@owner_only
def end(rule_id: int) -> ResponseReturnValue:
    """The last day of a rule."""
    work = current_work()
    about(SUBJECT)
    row = get_rule(work.session, rule_id)
    said = f"{rule_subject(row)}: {rule_words(row)}"
    form = EndRulePage(data={"last_day": row.valid_until or work.today, "version": row.version})
    if form.run(lambda: end_rule(work, rule_id, form.last_day.data, form.version_read)):
        return flash_and_redirect("The price rule is saved.", "rules.index")
    return render_template("catalog/end_price_rule.html", form=form, said=said), form.status
