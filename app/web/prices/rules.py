"""The owner's pages about price rules: how prices come about from cost or list."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.errors import BitternError
from app.ledger.catalog.maker_queries import list_makers
from app.ledger.catalog.price_book import next_monday, ruled_categories
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
from app.ledger.store.event_queries import events_of
from app.web.access import roles
from app.web.errors import about
from app.web.forms_base import attach
from app.web.prices.rule_forms import EndRulePage, RulePage
from app.web.services import current_work, request_session

blueprint = Blueprint("rules", __name__, url_prefix="/prices/rules")
_WORDS = {"rule_words": rule_words, "rule_subject": rule_subject, "margin_percent": margin_percent}


@blueprint.get("")
@roles()
def index() -> ResponseReturnValue:
    """Every rule, and what happened to them."""
    work = current_work()
    return render_template(
        "prices/rules.html",
        rules=list_rules(work.session, work.today),
        least=least_margin(work.session),
        events=events_of(work.session, SUBJECT, limit=20),
        **_WORDS,
    )


@blueprint.get("/<int(max=999999999):rule_id>")
@roles()
def show(rule_id: int) -> ResponseReturnValue:
    """One rule and the catalogue items it speaks of, priced by it."""
    row = get_rule(request_session(), rule_id)
    count, items = ruled_items(request_session(), row)
    return render_template(
        "prices/rule.html", rule=row, count=count, items=items, least=least_margin(request_session()), **_WORDS
    )


@blueprint.route("/set", methods=["GET", "POST"])
@roles()
def set_one() -> ResponseReturnValue:
    """A rule from a day on: a new one, or the next of the rule named in the address."""
    work = current_work()
    about(SUBJECT)
    form = RulePage(data=_start())
    makers = {maker.code: maker.name for maker, _, _ in list_makers(work.session)}
    form.offer(ruled_categories(work.session), makers, tier_names(work.session))
    if form.validate_on_submit():
        try:
            row = set_rule(work, form.read(), form.seen_read)
        except BitternError as error:
            attach(form, error)
        else:
            flash("The price rule is on record.")
            return redirect(url_for("rules.show", rule_id=row.id), 303)
    return render_template("prices/set_rule.html", form=form), 422 if form.is_submitted() else 200


def _start() -> dict[str, Any]:
    """What stands in the form at first: the rule named in the address, from next Monday or from its own day."""
    today = current_work().today
    named = request.args.get("rule", "")
    if not (named.isascii() and named.isdecimal() and len(named) < 10):
        return {"valid_from": next_monday(today), "basis": "cost times"}
    row = get_rule(request_session(), int(named))
    is_coming = row.valid_from > today
    names = ("basis", "figure", "code", "category", "maker", "tier")
    return {
        **{name: getattr(row, name) for name in names},
        "valid_from": row.valid_from if is_coming else next_monday(today),
        "seen": row.version if is_coming else "",
    }


@blueprint.route("/<int(max=999999999):rule_id>/end", methods=["GET", "POST"])
@roles()
def end(rule_id: int) -> ResponseReturnValue:
    """The last day of a rule."""
    work = current_work()
    about(SUBJECT)
    row = get_rule(work.session, rule_id)
    said = f"{rule_subject(row)}: {rule_words(row)}"
    form = EndRulePage(data={"last_day": row.valid_until or work.today, "version": row.version})
    if form.validate_on_submit():
        try:
            end_rule(work, rule_id, form.last_day.data, form.version_read)
        except BitternError as error:
            attach(form, error)
        else:
            flash("The price rule is saved.")
            return redirect(url_for("rules.index"), 303)
    return render_template("prices/end_rule.html", form=form, said=said), 422 if form.is_submitted() else 200
