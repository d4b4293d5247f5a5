"""Counts of the shelf: begun, typed in or sent as a file, looked at with what differs, saved."""

from dataclasses import replace

from flask import redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.documents import stock_count_pdf
from app.errors import Problem, Problems
from app.ledger.catalog.price_queries import get_house
from app.ledger.quoting.issuing import house_head
from app.ledger.stock.counts import (
    CountChoice,
    Found,
    Since,
    add_to_count,
    begin_stock_count,
    count_rows,
    count_table,
    enter_counts,
    get_stock_count,
    list_stock_counts,
    plan_count,
    read_count_file,
    rows_of_items,
    save_count,
    stop_stock_count,
    whole_count,
)
from app.ledger.stock.items import name_item
from app.ledger.stock.stock_queries import list_places, maker_names, scan
from app.ledger.store.numbers import stock_count_number
from app.ledger.store.work import Work
from app.ledger.tables import SHELF, Item, ItemKind, Role
from app.validation import counted
from app.web.access import roles
from app.web.fields import DayField
from app.web.files import PDF, read_upload, send, send_table
from app.web.forms_base import FilePage, PageForm, flash_and_redirect, record_id, text, typed
from app.web.goods.items import read_kind
from app.web.query_args import read_id, read_page, read_text
from app.web.services import current_work, request_session
from app.web.stock import blueprint

SIZE = 25


class BeginPage(PageForm):
    """What is counted."""

    bin = text("Bins that begin with", Item.bin, hint="Empty: all.")
    words = text("Number or words", 120)
    not_since = DayField("Not counted since")


@blueprint.route("/counts", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def counts() -> ResponseReturnValue:
    """Counts, the newest first, and the beginning of another."""
    work, form = current_work(), BeginPage()
    choice = CountChoice(
        read_id(request.form, "place") or SHELF,
        typed(form.bin),
        read_id(request.form, "maker"),
        read_kind(),
        form.not_since.data,
        typed(form.words),
        is_first=request.form.get("deed") == "first",
    )
    if done := form.run(lambda: begin_stock_count(work, choice)):
        return flash_and_redirect(
            "The count has begun. Print its sheet, or type what is there.", "stock.count", count_id=done.value.id
        )
    page = render_template(
        "stock/counts.html",
        form=form,
        choice=choice,
        counts=list_stock_counts(work.session, read_page(request.args)),
        places=list_places(work.session),
        makers=maker_names(work.session),
        kinds=[kind for kind in ItemKind if kind is not ItemKind.PIN],
    )
    return page, form.status


def _typed_counts() -> tuple[dict[int, Found], list[Problem]]:
    """What was typed into the boxes `item-ID`, an empty one left out, and what is no number; `since-ID` says of an
    item that moved whether it was counted before or after that.
    """
    found, problems = dict[int, Found](), list[Problem]()
    for name, value in request.form.items():
        item = record_id(name[5:]) if name.startswith("item-") else 0
        plain = value.strip().replace(",", "")
        if not item or not plain:
            continue
        sent = request.form.get(f"since-{item}", "")
        since = Since(sent) if sent in list(Since) else Since.UNSAID
        if plain.isascii() and plain.isdecimal() and len(plain) < 8:
            found[item] = Found(int(plain), since)
        else:
            problems.append(Problem(f"item-{item}", "Enter a whole number, 0 or more."))
    return found, problems


@blueprint.get("/counts/<int:count_id>")
@roles(Role.COUNTER, Role.BENCH)
def count(count_id: int) -> ResponseReturnValue:
    """A count as it goes on, or its record."""
    return _count_page(count_id)


def _count_page(
    count_id: int, problems: list[Problem] | tuple[Problem, ...] = (), *, in_file: bool = False, status: int = 200
) -> ResponseReturnValue:
    session = request_session()
    found = get_stock_count(session, count_id)
    show, one = request.args.get("show", ""), read_id(request.args, "item")
    plan = plan_count(session, found)
    if found.ended_at is not None:
        show = "differences"
    wrong = {record_id(problem.field[5:]) for problem in problems if problem.field.startswith("item-")}
    only = [*wrong] if problems and not in_file else [one] if one else []
    if only:
        rows = rows_of_items(session, found, only)
        page = replace(count_rows(session, found, size=1), rows=rows, page=1, pages=1)
    else:
        is_found = {"counted": True, "": False}.get(show)
        page = count_rows(session, found, is_found=is_found, page=read_page(request.args), size=SIZE)
    shown = render_template(
        "stock/count.html",
        count=found,
        number=stock_count_number(found.id),
        plan=plan,
        page=page,
        show=show,
        one=one,
        by_scan=request.args.get("by") == "scan",
        problems={problem.field: problem.message for problem in problems},
        file_problems=problems if in_file else (),
        other_problems=[one.message for one in problems if not one.field.startswith("item-")] if not in_file else (),
        sent=request.form,
        form=PageForm(formdata=None),
        name=name_item,
    )
    return shown, status


@blueprint.post("/counts/<int:count_id>")
@roles(Role.COUNTER, Role.BENCH)
def type_counts(count_id: int) -> ResponseReturnValue:
    """What was counted of the items on the page; those that can be are written, the others come back."""
    form, work = PageForm(), current_work()
    found, problems = _typed_counts()
    done = form.run(lambda: _written(work, count_id, found))
    if done is None:
        problems += [Problem("", said) for said in form.form_errors]
    else:
        problems += done.value
    if problems:
        return _count_page(count_id, problems, status=422)
    show = request.args.get("show") or None
    page = request.args.get("page") if show else None
    said = f"{counted(len(found), 'item')} counted."
    by = "scan" if request.args.get("by") == "scan" else None
    return flash_and_redirect(said, "stock.count", count_id=count_id, show=show, page=page, by=by)


def _written(work: Work, count_id: int, found: dict[int, Found]) -> list[Problem]:
    """What could not be written down of what was found; all else is."""
    try:
        if found:
            enter_counts(work, count_id, found)
    except Problems as refused:
        return list(refused.problems)
    return []


@blueprint.post("/counts/<int:count_id>/scan")
@roles(Role.COUNTER, Role.BENCH)
def scan_item(count_id: int) -> ResponseReturnValue:
    """The line of what a barcode reader read; an item that was not part of the count becomes one."""
    form, work, code = PageForm(), current_work(), read_text(request.form, "code")
    known = scan(work.session, work.actor.role, code)
    if len(known) != 1:
        which = "several items" if known else "no item of stock"
        return _count_page(count_id, [Problem("", f"“{code}” is {which}: look for it under Goods.")], status=422)
    item = known[0]
    if form.run(lambda: add_to_count(work, count_id, item.id)):
        return redirect(url_for("stock.count", count_id=count_id, item=item.id), 303)
    return _count_page(count_id, [Problem("", said) for said in form.form_errors], status=422)


@blueprint.post("/counts/<int:count_id>/file")
@roles(Role.COUNTER, Role.BENCH)
def send_counts(count_id: int) -> ResponseReturnValue:
    """The sheet of a count as it came back."""
    form, work = FilePage(), current_work()
    if not form.file.data:
        return _count_page(count_id, [Problem("file", "Choose a file first.")], in_file=True, status=422)

    def use() -> tuple[int, list[Problem]]:
        found = read_count_file(*read_upload(form.file))
        return len(found), _written(work, count_id, found)

    done = form.run(use)
    if done is None:
        problems = [*form.problems, *(Problem("file", said) for said in (*form.form_errors, *form.file.errors))]
        return _count_page(count_id, problems, in_file=True, status=422)
    found, problems = done.value
    if problems:
        return _count_page(count_id, problems, status=422)
    return flash_and_redirect(
        f"{counted(found, 'item')} counted.", "stock.count", count_id=count_id, show="differences"
    )


@blueprint.post("/counts/<int:count_id>/save")
@roles(Role.COUNTER, Role.BENCH)
def finish_count(count_id: int) -> ResponseReturnValue:
    """The sums become what was counted."""
    form, work = PageForm(), current_work()

    def use() -> list[Problem]:
        try:
            save_count(work, count_id, read_text(request.form, "seal"))
        except Problems as refused:
            return list(refused.problems)
        return []

    done = form.run(use)
    problems = [Problem("", said) for said in form.form_errors] if done is None else done.value
    if problems:
        return _count_page(count_id, problems, status=422)
    return flash_and_redirect("The count is saved.", "stock.count", count_id=count_id)


@blueprint.post("/counts/<int:count_id>/stop")
@roles(Role.COUNTER, Role.BENCH)
def break_off(count_id: int) -> ResponseReturnValue:
    """The count ends, and changes nothing."""
    form = PageForm()
    if form.run(lambda: stop_stock_count(current_work(), count_id)):
        return flash_and_redirect("The count is stopped. No sum was changed.", "stock.counts")
    return _count_page(count_id, [Problem("", said) for said in form.form_errors], status=422)


@blueprint.get("/counts/<int:count_id>/sheet.pdf")
@roles(Role.COUNTER, Role.BENCH)
def count_paper(count_id: int) -> ResponseReturnValue:
    """The sheet to walk with, by bin."""
    session = request_session()
    found = get_stock_count(session, count_id)
    house = house_head(get_house(session))
    made = stock_count_pdf(house, found, whole_count(session, found))
    return send(made, f"stock-count-{stock_count_number(count_id)}.pdf", PDF)


@blueprint.get("/counts/<int:count_id>/sheet.csv")
@roles(Role.COUNTER, Role.BENCH)
def count_file(count_id: int) -> ResponseReturnValue:
    """The same as a table, to be filled in and sent back."""
    session = request_session()
    rows = count_table(session, get_stock_count(session, count_id))
    return send_table("csv", f"stock-count-{stock_count_number(count_id)}", "count", rows)
