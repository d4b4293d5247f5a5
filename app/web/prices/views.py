"""The price book's pages, the owner's alone."""

from __future__ import annotations

from datetime import date

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.errors import BitternError, Problems
from app.ledger.catalog.price_book import book_page, categories, code_lines, export_rows, next_monday, usual_start
from app.ledger.catalog.price_editing import end_price, price_mark, set_price, subject_of
from app.ledger.catalog.price_import import plan_prices, put_on_record
from app.ledger.catalog.price_queries import get_price, price_beginning, tier_names
from app.ledger.store.event_queries import events_of
from app.web.access import roles
from app.web.asked import asked_page, asked_text, is_piece
from app.web.errors import about
from app.web.files import send_table
from app.web.forms_base import attach, typed
from app.web.prices.forms import EndPage, ImportPage, PricePage
from app.web.services import current_work, request_session
from app.web.waiting import drop_waiting, find_waiting, keep_waiting

blueprint = Blueprint("prices", __name__, url_prefix="/prices")
SIZE = 80


@blueprint.get("")
@roles()
def index() -> ResponseReturnValue:
    """The book by category."""
    work, text, category, page = current_work(), asked_text("q"), asked_text("category", 40), asked_page()
    found = book_page(work.session, work.today, text, category, page, SIZE)
    return render_template(
        "prices/_book.html" if is_piece() else "prices/index.html",
        book=found,
        text=text,
        category=category,
        categories=categories(work.session),
        page=page,
        pages=-(-found.count // SIZE),
    )


@blueprint.get("/code")
@roles()
def code() -> ResponseReturnValue:
    """Everything on record about one code: now, coming, past, and what happened."""
    work, name = current_work(), asked_text("code", 80)
    lines = code_lines(work.session, name, work.today)
    events = events_of(work.session, subject_of(name), limit=20)
    return render_template("prices/code.html", code=name, lines=lines, events=events)


@blueprint.route("/set", methods=["GET", "POST"])
@roles()
def set_one() -> ResponseReturnValue:
    """A price from a day on: a new one, or the next of the row named in the address."""
    work = current_work()
    form = PricePage(data=_start(work.today))
    form.offer(tier_names(work.session))
    if form.validate_on_submit():
        about(subject_of(typed(form.code)))
        try:
            row = set_price(work, form.read(), form.seen_read)
        except BitternError as error:
            attach(form, error)
        else:
            flash(f"{row.code} is set from {row.valid_from.isoformat()} on.")
            return redirect(url_for("prices.code", code=row.code), 303)
    status = 422 if form.is_submitted() else 200
    return render_template("prices/set.html", form=form, categories=categories(work.session)), status


def _start(today: date) -> dict[str, object]:
    """What stands in the form at first: the row named in the address, from its own day or the usual one."""
    named = request.args.get("row", "")
    if not (named.isascii() and named.isdecimal() and len(named) < 10):
        return {"valid_from": usual_start(request_session(), today), "quantity_from": 1}
    row = get_price(request_session(), int(named))
    starts = row.valid_from if row.valid_from > today else next_monday(today)
    there = price_beginning(request_session(), row.code, row.tier, row.quantity_from, starts)
    names = ("code", "description", "category", "kind", "tier", "quantity_from", "unit_cents", "cost_cents")
    held = {name: getattr(there or row, name) for name in names}
    return {**held, "valid_from": starts, "seen": f"{there.unit_cents}/{there.cost_cents}" if there else ""}


@blueprint.route("/end/<int:row_id>", methods=["GET", "POST"])
@roles()
def end(row_id: int) -> ResponseReturnValue:
    """The last day of a price."""
    work = current_work()
    row = get_price(work.session, row_id)
    about(subject_of(row.code))
    form = EndPage(data={"last_day": row.valid_until or work.today, "seen": price_mark(row)})
    code_of = row.code
    if form.validate_on_submit():
        try:
            end_price(work, row_id, form.last_day.data, typed(form.seen))
        except BitternError as error:
            attach(form, error)
        else:
            flash(f"{code_of} is saved.")
            return redirect(url_for("prices.index", q=code_of), 303)
    return render_template("prices/end.html", form=form, row=row), 422 if form.is_submitted() else 200


@blueprint.route("/import", methods=["GET", "POST"])
@roles()
def import_file() -> ResponseReturnValue:
    """Read a price file and list what it would change; nothing is saved here."""
    work = current_work()
    form = ImportPage(data={"first_day": usual_start(work.session, work.today)})
    problems = None
    if form.validate_on_submit():
        try:
            waiting = keep_waiting(work, "prices", form.file.data)
            plan = plan_prices(work.session, waiting.name, waiting.content, form.first_day.data)
            return render_template("prices/plan.html", plan=plan, waiting=waiting, first_day=form.first_day.data)
        except Problems as refused:
            problems = refused.problems
        except BitternError as error:
            attach(form, error)
    status = 422 if form.is_submitted() else 200
    return render_template("prices/import.html", form=form, problems=problems), status


@blueprint.post("/import/record")
@roles()
def record_file() -> ResponseReturnValue:
    """Put on record what the list showed."""
    work, token = current_work(), request.form.get("token", "")
    about("price book")
    waiting = find_waiting(work, "prices", token)
    first_day = _sent_day(request.form.get("first_day", ""))
    plan = put_on_record(work, waiting.name, waiting.content, first_day, request.form.get("fingerprint", ""))
    drop_waiting(token)
    flash(f"{len(plan.changes)} prices are on record.")
    return redirect(url_for("prices.index"), 303)


def _sent_day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise BitternError("first_day", "The first day was not sent; send the file again.") from error


@blueprint.get("/export.<any(csv, xlsx):kind>")
@roles()
def export(kind: str) -> ResponseReturnValue:
    """The whole book as a table; reading it back changes nothing."""
    return send_table(kind, "price-book", "Prices", export_rows(request_session()))
