"""Prices by day, customer tier and quantity: the owner's alone."""

from collections.abc import Sequence
from datetime import date

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue
from wtforms import BooleanField, HiddenField, SelectField
from wtforms.validators import InputRequired

from app.ledger.catalog.price_book import (
    export_rows,
    priced_item,
)
from app.ledger.catalog.price_editing import cents_mark, end_price, price_mark, set_price, subject_of
from app.ledger.catalog.price_queries import get_price, price_beginning, tier_names
from app.ledger.stock.items import get_stock_item
from app.ledger.store import Session
from app.ledger.tables import Item, ItemKind, PriceBookRow
from app.pricing import PriceKind, PriceRow
from app.web.access import owner_only
from app.web.errors import about
from app.web.fields import CentsField, DayField, WholeField
from app.web.files import send_table
from app.web.forms_base import PageForm, flash_and_redirect, typed
from app.web.query_args import read_id
from app.web.services import current_work, request_session
from app.web.templating import show_day


class PricePage(PageForm):
    """One price of an item from a day on."""

    tier = SelectField("For", validate_choice=False)
    quantity_from = WholeField(
        "From quantity",
        [InputRequired("Enter the least quantity.")],
        least=1,
        description="Of one line of a quote; two lines of the same thing are not added up.",
    )
    unit_cents = CentsField("Price each", [InputRequired("Enter the price.")])
    cost_cents = CentsField("Cost each", [InputRequired("Enter the cost, 0 where there is none.")])
    valid_from = DayField("From", [InputRequired("Enter the first day.")])
    is_thin_meant = BooleanField("Set it in spite of the thin margin")
    seen = HiddenField()

    def offer(self, tiers: Sequence[str]) -> None:
        """Fill the list of tiers."""
        listed = [*tiers, *([self.tier.data] if self.tier.data and self.tier.data not in tiers else [])]
        self.tier.choices = {"": "everybody", **{name: name for name in listed}}


class EndPage(PageForm):
    """The last day of a price."""

    last_day = DayField("Last day", [InputRequired("Enter the last day.")])
    seen = HiddenField()


blueprint = Blueprint("prices", __name__, url_prefix="/prices")


@blueprint.route("/set", methods=["GET", "POST"])
@owner_only
def set_one() -> ResponseReturnValue:
    """A price from a day on: a new one of an item, or the next of the row named in the address."""
    work = current_work()
    named, item_id = read_id(request.args, "row"), read_id(request.args, "item")
    row = get_price(work.session, named) if named is not None else None
    item = priced_item(work.session, row.code) if row else get_stock_item(work.session, item_id or 0)
    form = PricePage(data=_start(work.session, work.today, row, item))
    form.offer(tier_names(work.session))
    about(subject_of(item.code))
    if done := form.run(
        lambda: set_price(
            work,
            form.into(PriceRow, tier=typed(form.tier) or None, **_words_of(item)),
            typed(form.seen),
            is_thin_meant=form.is_thin_meant.data,
        )
    ):
        begins = show_day(done.value.valid_from)
        return flash_and_redirect(f"{item.code} is priced from {begins} on.", "goods.item", item_id=item.id)
    return render_template("catalog/set_price.html", form=form, item=item), form.status


def _words_of(item: Item) -> dict[str, object]:
    kind = PriceKind.LABOR if item.kind is ItemKind.LABOR else PriceKind.GOODS
    return {"code": item.code, "description": item.words, "category": item.category, "kind": kind}


def _start(session: Session, today: date, row: PriceBookRow | None, item: Item) -> dict[str, object]:
    """What stands in the form at first: the row named in the address, from today or its own day."""
    if row is None:
        return {"valid_from": today, "quantity_from": 1, "cost_cents": item.cost_cents}
    starts = max(row.valid_from, today)
    there = price_beginning(session, row.code, row.tier, row.quantity_from, starts)
    held = {name: getattr(there or row, name) for name in ("tier", "quantity_from", "unit_cents", "cost_cents")}
    return {**held, "valid_from": starts, "seen": cents_mark(there) if there else ""}


@blueprint.route("/end/<int:row_id>", methods=["GET", "POST"])
@owner_only
def end(row_id: int) -> ResponseReturnValue:
    """The last day of a price."""
    work = current_work()
    row = get_price(work.session, row_id)
    about(subject_of(row.code))
    form = EndPage(data={"last_day": row.valid_until or work.today, "seen": price_mark(row)})
    code_of = row.code
    if form.run(lambda: end_price(work, row_id, form.last_day.data, typed(form.seen))):
        item = priced_item(work.session, code_of)
        return flash_and_redirect(f"{code_of} is saved.", "goods.item", item_id=item.id)
    item = priced_item(work.session, code_of)
    return render_template("catalog/end_price.html", form=form, row=row, item=item), form.status


@blueprint.get("/export.<any(csv, xlsx):kind>")
@owner_only
def export(kind: str) -> ResponseReturnValue:
    """The whole book as a table; reading it back changes nothing."""
    return send_table(kind, "price-book", "Prices", export_rows(request_session()))
