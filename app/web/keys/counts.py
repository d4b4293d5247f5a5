"""Counts of a customer's keys: whose year is over, the count as it goes on, its sheet and its record."""

from collections.abc import Callable

from flask import render_template, request
from flask.typing import ResponseReturnValue
from wtforms import StringField
from wtforms.validators import AnyOf, Optional

from app.documents import key_count_pdf
from app.ledger.catalog.price_queries import get_house
from app.ledger.keys.counting import (
    count_sheet,
    counts_of,
    customers_to_count,
    end_count,
    mark_counted,
    mark_rest,
    mark_stamps,
    start_count,
    stop_count,
)
from app.ledger.keys.key_queries import say_held
from app.ledger.keys.losses import loss_of_key
from app.ledger.quoting.issuing import house_head
from app.ledger.sites.customer_queries import get_customer
from app.ledger.store.engine import page_in
from app.ledger.store.numbers import key_count_number
from app.ledger.tables import Counted, Role
from app.validation import counted
from app.web.access import roles
from app.web.errors import about
from app.web.files import PDF, send
from app.web.forms_base import BlankForm, PageForm, SavedForm, flash_and_redirect, record_id, text, typed
from app.web.keys.views import blueprint
from app.web.query_args import read_page, read_text
from app.web.services import current_work

SIZE = 100


class BeginForm(PageForm):
    """Whose keys are to be counted."""

    customer = StringField("Customer")


class MarksForm(PageForm):
    """What was found of each key on the page, `key-ID` each beside what stood there, `was-ID`; `holder`: whose keys
    that are not counted yet are all seen.
    """

    keys = StringField("Keys")  # refusals stand here
    holder = StringField("All seen")

    @staticmethod
    def found() -> dict[int, tuple[Counted, Counted]]:
        """What stood on the page and what is marked now, by the key's id."""
        known = {one.value: one for one in Counted}
        sent = {
            record_id(name[4:]): known[end]
            for name, end in request.form.items()
            if name[:4] == "key-" and end in known
        }
        stood = {key: known.get(request.form.get(f"was-{key}", ""), Counted.OPEN) for key in sent}
        return {key: (stood[key], now) for key, now in sent.items() if key}


class StampsForm(PageForm):
    """What is stamped on keys that were seen, or that nobody found."""

    stamps = text(
        "Stamps",
        2000,
        needed="Type what is stamped on the key, such as AA1-2.",
        hint="AA1-2, or several: AA1-2, AA1-3",
    )
    found = StringField("Found", [Optional(), AnyOf([Counted.SEEN.value, Counted.MISSING.value])])


class EndForm(SavedForm):
    """The end of a count, or its stop with a reason."""

    note = text("Why it stops", 500)


@blueprint.get("/counts")
@roles(Role.COUNTER, Role.BENCH)
def counts() -> ResponseReturnValue:
    """Customers with keys out, and when they were counted last."""
    page = customers_to_count(current_work(), read_page(request.args))
    return render_template("keys/counts.html", page=page)


@blueprint.get("/counts/customer/<int:customer_id>")
@roles(Role.COUNTER, Role.BENCH)
def customers_counts(customer_id: int) -> ResponseReturnValue:
    """A customer's counts, newest first."""
    return _customers_page(customer_id, BeginForm())


def _customers_page(customer_id: int, form: PageForm) -> ResponseReturnValue:
    session = current_work().session
    page = render_template(
        "keys/customer_counts.html",
        customer=get_customer(session, customer_id),
        counts=counts_of(session, customer_id),
        form=form,
    )
    return page, form.status


@blueprint.post("/counts/customer/<int:customer_id>")
@roles(Role.COUNTER, Role.BENCH)
def begin_count(customer_id: int) -> ResponseReturnValue:
    """Begin a count."""
    form = BeginForm()
    if done := form.run(lambda: start_count(current_work(), customer_id)):
        return flash_and_redirect(
            "The count has begun. Print its sheet, or type what is stamped on each key.",
            "keys.count",
            count_id=done.value.id,
        )
    return _customers_page(customer_id, form)


@blueprint.get("/counts/<int:count_id>")
@roles(Role.COUNTER, Role.BENCH)
def count(count_id: int) -> ResponseReturnValue:
    """A count as it goes on, or its record."""
    return _count_page(count_id), 200


def _count_page(count_id: int, **refused: PageForm) -> str:
    work, words = current_work(), read_text(request.args)
    sheet = count_sheet(work.session, count_id)
    wanted = words.casefold()
    keys = [
        one
        for one in sheet.keys
        if not wanted or wanted in f"{one.holder}\n{one.key.keyset.symbol}\n{one.key.stamp}\n{one.found}".casefold()
    ]
    forms: dict[str, PageForm | BlankForm] = {
        "stamps": StampsForm(formdata=None),
        "marks": MarksForm(formdata=None),
        "end": EndForm(formdata=None, obj=sheet.count),
    }
    return render_template(
        "keys/count.html",
        sheet=sheet,
        shown=page_in(keys, read_page(request.args), SIZE),
        text=words,
        sent=MarksForm.found() if "marks" in refused else {},
        losses={one.key.id: loss_of_key(work.session, one.key) for one in sheet.missing if sheet.count.ended_at},
        **forms | refused,
    )


def _done(count_id: int, said: str) -> ResponseReturnValue:
    return flash_and_redirect(
        said, "keys.count", count_id=count_id, q=read_text(request.args) or None, page=request.args.get("page")
    )


@blueprint.post("/counts/<int:count_id>/marks")
@roles(Role.COUNTER, Role.BENCH)
def mark_count(count_id: int) -> ResponseReturnValue:
    """What was found of the keys on the page."""
    form, work = MarksForm(), current_work()
    holder = typed(form.holder)

    def save() -> str:
        changed = mark_counted(work, count_id, MarksForm.found())
        rest = mark_rest(work, count_id, Counted.SEEN, holder) if holder else 0
        return f"{counted(changed + rest, 'key')} marked."

    if done := form.run(save):
        return _done(count_id, done.value)
    return _count_page(count_id, marks=form), 422


@blueprint.post("/counts/<int:count_id>/stamps")
@roles(Role.COUNTER, Role.BENCH)
def count_stamps(count_id: int) -> ResponseReturnValue:
    """Keys by what is stamped on them."""
    form = StampsForm()
    found = Counted(typed(form.found)) if typed(form.found) in (Counted.SEEN, Counted.MISSING) else Counted.SEEN

    def save() -> str:
        before = mark_stamps(current_work(), count_id, typed(form.stamps), found)
        said = f"{'; '.join(say_held([one.key for one in before]))}: {found.value}."
        twice = [one.key for one in before if one.found is found is Counted.SEEN]
        if twice:
            was_or_were = "was" if len(twice) == 1 else "were"
            said += (
                f" {'; '.join(say_held(twice))} {was_or_were} seen already: if this is another piece with the same "
                "stamp, put it aside, and tell the owner."
            )
        return said

    if done := form.run(save):
        return _done(count_id, done.value)
    return _count_page(count_id, stamps=form), 422


def _ended(count_id: int, use: Callable[[EndForm], str]) -> ResponseReturnValue:
    form = EndForm()
    about(f"customer {count_sheet(current_work().session, count_id).count.customer_id}", form)
    if done := form.run(lambda: use(form)):
        return _done(count_id, done.value)
    return _count_page(count_id, end=form), 422


@blueprint.post("/counts/<int:count_id>/rest")
@roles(Role.COUNTER, Role.BENCH)
def count_rest(count_id: int) -> ResponseReturnValue:
    """All that is not counted yet is missing."""

    def use(form: EndForm) -> str:
        return f"{counted(mark_rest(current_work(), count_id, Counted.MISSING), 'key')} marked as missing."

    return _ended(count_id, use)


@blueprint.post("/counts/<int:count_id>/end")
@roles(Role.COUNTER, Role.BENCH)
def finish_count(count_id: int) -> ResponseReturnValue:
    """The count is done: what is missing is lost."""

    def use(form: EndForm) -> str:
        sheet = end_count(current_work(), count_id, form.version_read)
        missing = f"{counted(len(sheet.missing), 'key')} missing" if sheet.missing else "none missing"
        return f"The count is on record: {counted(len(sheet.keys), 'key')}, {missing}."

    return _ended(count_id, use)


@blueprint.post("/counts/<int:count_id>/stop")
@roles(Role.COUNTER, Role.BENCH)
def break_off_count(count_id: int) -> ResponseReturnValue:
    """The count stops, with a reason."""

    def use(form: EndForm) -> str:
        stop_count(current_work(), count_id, form.version_read, typed(form.note))
        return "The count is stopped. What was marked stays on record."

    return _ended(count_id, use)


@blueprint.get("/counts/<int:count_id>/sheet.pdf")
@roles(Role.COUNTER, Role.BENCH)
def count_paper(count_id: int) -> ResponseReturnValue:
    """The sheet to walk with, or, of a count that is ended, its record."""
    work = current_work()
    sheet = count_sheet(work.session, count_id)
    made = key_count_pdf(house_head(get_house(work.session)), sheet, work.today)
    return send(made, f"key-count-{key_count_number(count_id)}.pdf", PDF)
