"""The books: what a general ledger takes over, as CSV between two days, with every column explained."""

from datetime import date

from flask import Blueprint, abort, render_template, request
from flask.typing import ResponseReturnValue

from app.documents import books_csv
from app.errors import BitternError
from app.ledger.reports.books import BOOKS, book_rows, read_span
from app.spreadsheets import read_date
from app.web.access import owner_only
from app.web.files import CSV, send
from app.web.services import current_work

blueprint = Blueprint("books", __name__, url_prefix="/house/books")


@blueprint.get("")
@owner_only
def index() -> ResponseReturnValue:
    """Choose the days; each book with its columns, and how many rows those days hold."""
    work = current_work()
    problems: dict[str, str] = {}
    asked = {name: request.args.get(name, "").strip()[:20] for name in ("first", "last")}
    span = (work.today.replace(month=1, day=1), work.today)  # this year so far
    try:
        span = _span(asked["first"] or span[0].isoformat(), asked["last"] or span[1].isoformat())
    except BitternError as error:
        problems[error.field] = error.message
    counts = {} if problems else {book.name: len(book_rows(work, book.name, *span)) for book in BOOKS}
    shown = {name: asked[name] or day.isoformat() for name, day in zip(("first", "last"), span, strict=True)}
    return render_template(
        "reports/books.html", books=BOOKS, shown=shown, span=span, problems=problems, counts=counts
    ), 422 if problems else 200


@blueprint.get("/<name>.csv")
@owner_only
def download(name: str) -> ResponseReturnValue:
    """One book as CSV."""
    book = next((book for book in BOOKS if book.name == name), None)
    if book is None:
        abort(404)
    first, last = _span(request.args.get("first", ""), request.args.get("last", ""))
    rows = book_rows(current_work(), book.name, first, last)
    return send(books_csv(book.columns, rows), f"{name}-{first.isoformat()}-{last.isoformat()}.csv", CSV)


def _span(first: str, last: str) -> tuple[date, date]:
    return read_span(read_date(first, "first"), read_date(last, "last"))
