"""Goods that come back: which, in what condition, what becomes of them and of the money; and the slip of it."""

import re
from decimal import Decimal

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue
from werkzeug.datastructures import MultiDict
from wtforms import SelectField, StringField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs

from app.documents import return_slip_pdf
from app.errors import Problem, Problems
from app.ledger.catalog.money_rules import money_rules_on
from app.ledger.catalog.price_queries import get_house
from app.ledger.goods.returns import (
    BroughtBack,
    ReturnForm,
    credit_notes_of,
    keys_brought,
    return_goods,
    returnable,
    returns_of,
)
from app.ledger.jobs.cylinder_lines import job_cylinders
from app.ledger.jobs.papers import schedule_of
from app.ledger.jobs.queries import get_job
from app.ledger.money.payments import MEANS
from app.ledger.quoting.issuing import house_head
from app.ledger.stock.stock_queries import list_places
from app.ledger.store.errors import NotFound
from app.ledger.store.numbers import return_number
from app.ledger.tables import SHELF, GoodsReturn, Job, Keyset, ReturnCondition, Role
from app.pricing import read_cents, read_percent, show_cents
from app.web.access import roles
from app.web.errors import about
from app.web.files import PDF, send
from app.web.forms_base import SavedForm, flash_and_redirect, record_id, text, typed
from app.web.services import current_work

_CONDITIONS = {one.value: one for one in ReturnCondition}
_COUNT = re.compile(r"(goods|keys)-([0-9]{1,9})")
_CYLINDER = re.compile(r"cylinder-([0-9]{1,9})")
_LEAVE_AS_CREDIT = ""

blueprint = Blueprint("returns", __name__)


class ReturnPage(SavedForm):
    """Who brings goods back, why, and what becomes of the money; the pieces stand in boxes named for them."""

    brought_by = text("Brought back by", GoodsReturn.brought_by)
    reason = text("Why it comes back", GoodsReturn.reason, needed="Say why it comes back.")
    place = SelectField(
        "Where it goes back to", default=str(SHELF), description="Of the pieces that are ticked as back in stock."
    )
    restocking = StringField(
        "Restocking charge",
        description="In percent (not on defective pieces), as in 15 %, or an amount, as in 10.00.",
    )
    means = SelectField(
        "The money",
        choices=[
            SelectChoice(_LEAVE_AS_CREDIT, "stays as the customer’s credit, or lowers what is owed"),
            *(SelectChoice(one, f"goes back: {one}") for one in MEANS),
        ],
    )


@blueprint.route("/jobs/<int:number>/return", methods=["GET", "POST"])
@roles(Role.COUNTER)
def page(number: int) -> ResponseReturnValue:
    """Take goods of a job back."""
    about(f"job {number}")
    form, work = ReturnPage(), current_work()
    places = list_places(work.session)
    form.place.choices = [SelectChoice(str(one.id), one.name) for one in places]
    job = get_job(work.session, number)
    if done := form.run(lambda: return_goods(work, number, form.version_read, _read(form, job, request.form))):
        made = done.value
        credited = f" {show_cents(made.credited_cents)} is credited." if made.credit_note_id else ""
        said = f"{return_number(made.number)} is on record.{credited} Have its slip signed."
        return flash_and_redirect(said, "jobs.show", number=number, _anchor="brought-back")
    job = get_job(work.session, number)
    if not form.is_submitted():
        form.version.data = str(job.version)
        percent = money_rules_on(work.session, work.today).restocking_percent
        form.restocking.data = f"{percent.normalize():f} %" if percent else ""
    found = returnable(work.session, job)
    ids = {one.id for one in found.cylinders}
    keysets: dict[Keyset, int] = {}
    for key in found.keys:
        keysets[key.keyset] = keysets.get(key.keyset, 0) + 1
    page = render_template(
        "goods/return.html",
        job=job,
        form=form,
        rows=[row for row in schedule_of(work, job).rows if row.cylinder_id in ids],
        goods=[(line, found.goods[line.number]) for line in job.lines if line.number in found.goods],
        keysets=keysets,
        conditions=list(_CONDITIONS),
        has_places=len(places) > 1,
        sent=request.form,
        systems=job_cylinders(work.session, job.id).systems,
    )
    return page, form.status


def _read(form: ReturnPage, job: Job, sent: MultiDict[str, str]) -> ReturnForm:
    """What comes back: `cylinder-7` a condition, `goods-3` a count with `condition-3`, `keys-12` a count, and
    `shelf-c7`, `shelf-g3` where it goes back into stock. Problems on what cannot be read.
    """
    pieces: list[BroughtBack] = []
    keys: dict[int, int] = {}
    problems = []
    lines = {one.id: one.line_number for one in job.cylinders}
    for name, value in sent.items():
        if (found := _CYLINDER.fullmatch(name)) and value in _CONDITIONS:
            cylinder = int(found[1])
            back = bool(sent.get(f"shelf-c{cylinder}"))
            line = lines.get(cylinder) or 0
            pieces.append(BroughtBack(line, 0, _CONDITIONS[value], back, (cylinder,)))
        if (found := _COUNT.fullmatch(name)) and (count := value.strip()):
            kind, row = found[1], int(found[2])
            if not record_id(count) and count != "0":
                problems.append(Problem("pieces", f"“{count[:20]}” is no count: enter a whole number of pieces."))
            elif kind == "keys":
                keys[row] = record_id(count)
            elif record_id(count):
                condition = _CONDITIONS.get(sent.get(f"condition-{row}", ""), ReturnCondition.GOOD)
                is_back = bool(sent.get(f"shelf-g{row}")) and condition is ReturnCondition.GOOD
                pieces.append(BroughtBack(row, record_id(count), condition, is_back))
    if problems:
        raise Problems(problems)
    percent, cents = _charge(typed(form.restocking))
    place = record_id(typed(form.place))
    return ReturnForm(
        typed(form.reason), pieces, typed(form.brought_by), keys, percent, cents, typed(form.means), place
    )


def _charge(said: str) -> tuple[Decimal | None, int | None]:
    if not (said := said.strip()):
        return None, None
    if said.endswith("%"):
        return read_percent(said.removesuffix("%").strip(), "restocking"), None
    return None, read_cents(said, "restocking")


@blueprint.get("/jobs/<int:number>/returns/<int:place>.pdf")
@roles(Role.COUNTER, Role.BENCH)
def slip(number: int, place: int) -> ResponseReturnValue:
    """The slip of a return, which whoever brought it back signs. `place`: the return's own number."""
    work = current_work()
    job = get_job(work.session, number)
    found = next((one for one in returns_of(work.session, job.id) if one.number == place), None)
    if found is None:
        raise NotFound("return of this job")
    house = house_head(get_house(work.session))
    return send(
        return_slip_pdf(house, job, found, credit_notes_of(work.session, found), keys_brought(work.session, found)),
        f"return-{return_number(place)}.pdf",
        PDF,
    )
