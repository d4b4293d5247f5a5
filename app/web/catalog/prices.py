"""The price book's pages, the owner's alone."""

from collections.abc import Sequence
from datetime import date

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue
from flask_wtf.file import FileField
from wtforms import BooleanField, HiddenField, RadioField, SelectField
from wtforms.validators import InputRequired

from app.errors import BitternError
from app.ledger.catalog.price_book import (
    book_page,
    categories,
    code_lines,
    export_rows,
    next_monday,
    plan_prices,
    put_on_record,
    usual_start,
)
from app.ledger.catalog.price_editing import cents_mark, end_price, price_mark, set_price, subject_of
from app.ledger.catalog.price_queries import get_price, price_beginning, tier_names
from app.ledger.store.events import events_of
from app.ledger.tables import PriceBookRow
from app.pricing import PriceRow
from app.web.access import owner_only
from app.web.errors import about
from app.web.fields import CentsField, DayField, WholeField
from app.web.files import send_table
from app.web.forms_base import FilePage, PageForm, flash_and_redirect, text, typed
from app.web.query_args import read_id, read_page, read_text, wants_fragment
from app.web.services import current_work, request_session
from app.web.staged_uploads import drop_upload, find_upload, stage_upload
from app.web.templating import show_day


class PricePage(PageForm):
    """One price from a day on."""

    code = text(
        "Code", PriceBookRow.code, needed="Enter the code that quotes look it up by.", render_kw={"class": "code"}
    )
    description = text(
        "Description", PriceBookRow.description, hint="As it stands on the quote.", needed="Enter the description."
    )
    category = text("Category", PriceBookRow.category, needed="Enter the category.", render_kw={"list": "categories"})
    kind = RadioField(
        "Taxed as", [InputRequired("Choose goods or labor.")], choices={"goods": "goods", "labour": "labor"}
    )
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


class ImportPage(FilePage):
    """A price file, and the first day of the prices that name none."""

    file = FileField(
        "File",
        description="CSV or XLSX; the values alone are read, formulas are never run.",
        render_kw={"accept": ".csv,.xlsx"},
    )
    first_day = DayField("Prices without a day of their own start", [InputRequired("Enter the first day.")])


blueprint = Blueprint("prices", __name__, url_prefix="/prices")
SIZE = 80


@blueprint.get("")
@owner_only
def index() -> ResponseReturnValue:
    """The book by category."""
    work, text, category, page = (
        current_work(),
        read_text(request.args),
        read_text(request.args, "category", 40),
        read_page(request.args),
    )
    found = book_page(work.session, work.today, text, category, page, SIZE)
    return render_template(
        "catalog/_price_book.html" if wants_fragment() else "catalog/prices.html",
        book=found,
        text=text,
        category=category,
        saved=read_text(request.args, "saved", 10),
        categories=categories(work.session),
        page=page,
        pages=-(-found.count // SIZE),
    )


@blueprint.get("/code")
@owner_only
def code() -> ResponseReturnValue:
    """Everything on record about one code: now, coming, past, and what happened."""
    work, name = current_work(), read_text(request.args, "code", 80)
    lines = code_lines(work.session, name, work.today)
    events = events_of(work.session, subject_of(name), limit=20)
    return render_template("catalog/price_code.html", code=name, lines=lines, events=events)


@blueprint.route("/set", methods=["GET", "POST"])
@owner_only
def set_one() -> ResponseReturnValue:
    """A price from a day on: a new one, or the next of the row named in the address."""
    work = current_work()
    form = PricePage(data=_start(work.today))
    form.offer(tier_names(work.session))
    about(subject_of(typed(form.code)))
    if done := form.run(
        lambda: set_price(
            work,
            form.into(PriceRow, tier=typed(form.tier) or None),
            typed(form.seen),
            is_thin_meant=form.is_thin_meant.data,
        )
    ):
        row = done.value
        return flash_and_redirect(
            f"{row.code} is set from {show_day(row.valid_from)} on.", "prices.code", code=row.code
        )
    return render_template("catalog/set_price.html", form=form, categories=categories(work.session)), form.status


def _start(today: date) -> dict[str, object]:
    """What stands in the form at first: the row named in the address, from its own day or the usual one."""
    named = read_id(request.args, "row")
    if named is None:
        return {"valid_from": usual_start(request_session(), today), "quantity_from": 1}
    row = get_price(request_session(), named)
    starts = row.valid_from if row.valid_from > today else next_monday(today)
    there = price_beginning(request_session(), row.code, row.tier, row.quantity_from, starts)
    names = ("code", "description", "category", "kind", "tier", "quantity_from", "unit_cents", "cost_cents")
    held = {name: getattr(there or row, name) for name in names}
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
        return flash_and_redirect(f"{code_of} is saved.", "prices.index", q=code_of)
    return render_template("catalog/end_price.html", form=form, row=row), form.status


@blueprint.route("/import", methods=["GET", "POST"])
@owner_only
def import_file() -> ResponseReturnValue:
    """Read a price file and list what it would change; nothing is saved here."""
    work = current_work()
    form = ImportPage(data={"first_day": usual_start(work.session, work.today)})

    def plan() -> str:
        waiting = stage_upload(work, "prices", form.file.data)
        found = plan_prices(work.session, waiting.name, waiting.content, form.first_day.data)
        return render_template("catalog/price_plan.html", plan=found, waiting=waiting, first_day=form.first_day.data)

    if done := form.run(plan):
        return done.value
    return render_template("catalog/import_prices.html", form=form, problems=form.problems), form.status


@blueprint.post("/import/record")
@owner_only
def record_file() -> ResponseReturnValue:
    """Put on record what the list showed."""
    work, token = current_work(), request.form.get("token", "")
    about("price book")
    waiting = find_upload(work, "prices", token)
    first_day = _sent_day(request.form.get("first_day", ""))
    plan = put_on_record(work, waiting.name, waiting.content, first_day, request.form.get("fingerprint", ""))
    drop_upload(token)
    last = max((change.row.valid_from for change in plan.changes), default=first_day)
    return flash_and_redirect(f"{len(plan.changes)} prices are saved.", "prices.index", saved=last.isoformat())


def _sent_day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise BitternError("first_day", "The first day was not sent; send the file again.") from error


@blueprint.get("/export.<any(csv, xlsx):kind>")
@owner_only
def export(kind: str) -> ResponseReturnValue:
    """The whole book as a table; reading it back changes nothing."""
    return send_table(kind, "price-book", "Prices", export_rows(request_session()))
