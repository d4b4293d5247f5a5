"""Goods that come back: which, in what condition, what becomes of them and of the money; and the slip of it."""

from collections import Counter
from collections.abc import Collection, Sequence
from decimal import Decimal
from typing import Any

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue
from werkzeug.datastructures import MultiDict
from wtforms import SelectField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs

from app.documents import return_slip_pdf
from app.errors import Problems
from app.ledger.catalog.money_rules import money_rules_on
from app.ledger.catalog.price_queries import get_house
from app.ledger.goods.returns import (
    BroughtBack,
    Returnable,
    ReturnForm,
    credit_notes_of,
    keys_brought,
    return_goods,
    return_problems,
    returnable,
    returns_of,
)
from app.ledger.jobs.cylinder_lines import ScheduleRow
from app.ledger.jobs.papers import schedule_of
from app.ledger.jobs.queries import get_job
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.money.payments import MEANS
from app.ledger.quoting.issuing import house_head
from app.ledger.stock.stock_queries import list_places
from app.ledger.store.errors import NotFound
from app.ledger.store.numbers import return_number
from app.ledger.tables import SHELF, GoodsReturn, Job, Keyset, ReturnCondition, Role
from app.pricing import read_cents, read_percent, show_cents
from app.web.access import roles
from app.web.errors import about
from app.web.fields import TextField, WholeField
from app.web.files import PDF, send
from app.web.forms_base import SavedForm, attach, flash_and_redirect, record_id, text, typed, with_boxes
from app.web.services import current_work

_CONDITIONS = {one.value: one for one in ReturnCondition}
_LEAVE_AS_CREDIT = ""
_WHOLE = "Enter a whole number of pieces."

blueprint = Blueprint("returns", __name__)


class ChargeField(TextField):
    """A restocking charge: a percentage, held as Decimal, or an amount, held in whole cents."""

    def read(self, text: str) -> Decimal | int:
        if text.endswith("%"):
            return read_percent(text.removesuffix("%").strip(), self.short_name)
        return read_cents(text, self.short_name)

    def show(self, value: Decimal | int) -> str:
        return f"{value.normalize():f} %" if isinstance(value, Decimal) else show_cents(value)


class ReturnPage(SavedForm):
    """Who brings goods back, why, and what becomes of the money; beside that boxes of the pieces: how many of a line,
    `goods-3`, and of a keyset's keys, `keys-12`, and the condition of a cylinder, `cylinder-7`.
    """

    brought_by = text("Brought back by", GoodsReturn.brought_by)
    reason = text("Why it comes back", GoodsReturn.reason, needed="Say why it comes back.")
    place = SelectField(
        "Where it goes back to", default=str(SHELF), description="Of the pieces that are ticked as back in stock."
    )
    restocking = ChargeField(
        "Restocking charge",
        description="In percent, as in 15 %, of good and spoiled pieces, not of defective ones, which are their "
        "maker’s doing; or an amount, as in 10.00.",
    )
    means = SelectField(
        "The money",
        choices=[
            SelectChoice(_LEAVE_AS_CREDIT, "stays as the customer’s credit, or lowers what is owed"),
            *(SelectChoice(one, f"goes back: {one}") for one in MEANS),
        ],
    )

    def tell_besides(self, job: Job, found: Returnable, sent: ReturnForm) -> None:
        """What else is wrong where a box cannot be read, so that all is told at once; no box twice."""
        refused = {box.name for box in self if box.errors}
        if any("-" in name for name in refused):
            refused.add("pieces")  # what was typed there may be all that comes back
        if others := [one for one in return_problems(job, found, sent) if one.field not in refused]:
            attach(self, Problems(others))


@blueprint.route("/jobs/<int:number>/return", methods=["GET", "POST"])
@roles(Role.COUNTER)
def page(number: int) -> ResponseReturnValue:
    """Take goods of a job back."""
    work = current_work()
    job = get_job(work.session, number)
    schedule = schedule_of(work, job)
    form = _form(schedule.rows, job, {key.keyset for key in keys_of_job(work.session, job.id)})
    about(f"job {number}", form)
    places = list_places(work.session)
    form.place.choices = [SelectChoice(str(one.id), one.name) for one in places]
    sent = _read(form, job, request.form)
    if form.is_submitted() and not form.validate():
        form.tell_besides(job, returnable(work.session, job), sent)
    elif done := form.run(lambda: return_goods(work, number, form.version_read, sent)):
        made = done.value
        credited = f" {show_cents(made.credited_cents)} is credited." if made.credit_note_id else ""
        said = f"{return_number(made.number)} is on record.{credited} Have its slip signed."
        return flash_and_redirect(said, "jobs.show", number=number, _anchor="brought-back")
    job = get_job(work.session, number)
    if not form.is_submitted():
        form.version.data = str(job.version)
        form.restocking.data = money_rules_on(work.session, work.today).restocking_percent or None
    found = returnable(work.session, job)
    ids = {one.id for one in found.cylinders}
    page = render_template(
        "goods/return.html",
        job=job,
        form=form,
        rows=[row for row in schedule.rows if row.cylinder_id in ids],
        goods=[(line, found.goods[line.number]) for line in job.lines if line.number in found.goods],
        keysets=Counter(key.keyset for key in found.keys),
        conditions=list(_CONDITIONS),
        has_places=len(places) > 1,
        sent=request.form,
    )
    return page, form.status


def _form(rows: Sequence[ScheduleRow], job: Job, keysets: Collection[Keyset]) -> ReturnPage:
    """The form of a job, with boxes for what is back already as well: who was late reads what he typed."""
    conditions = [SelectChoice("", ""), *(SelectChoice(one, one) for one in _CONDITIONS)]
    boxes: dict[str, Any] = {
        f"goods-{line.number}": WholeField(f"Line {line.number}, {line.description}", how=_WHOLE)
        for line in job.lines
    }
    for row in rows:
        label = f"{row.opening_number or 'no door'} {row.keyset}".strip()
        boxes[f"cylinder-{row.cylinder_id}"] = SelectField(label, choices=conditions, default="")
    boxes |= {f"keys-{one.id}": WholeField(f"Keys to {one.symbol}", how=_WHOLE) for one in keysets}
    return with_boxes(ReturnPage, boxes)()


def _read(form: ReturnPage, job: Job, sent: MultiDict[str, str]) -> ReturnForm:
    """What comes back: the boxes of the pieces with `condition-3` of a line, and `shelf-c7`, `shelf-g3` where it goes
    back into stock.
    """
    pieces: list[BroughtBack] = []
    keys: dict[int, int] = {}
    lines = {one.id: one.line_number for one in job.cylinders}
    for box in form:
        kind, _, of = box.name.partition("-")
        row = record_id(of)
        if not row or not box.data:
            continue
        if kind == "keys":
            keys[row] = box.data
        elif kind == "cylinder":
            back = bool(sent.get(f"shelf-c{row}"))
            if box.data in _CONDITIONS:  # its box refuses any other
                pieces.append(BroughtBack(lines.get(row) or 0, 0, _CONDITIONS[box.data], back, (row,)))
        else:
            condition = _CONDITIONS.get(sent.get(f"condition-{row}", ""), ReturnCondition.GOOD)
            is_back = bool(sent.get(f"shelf-g{row}")) and condition is ReturnCondition.GOOD
            pieces.append(BroughtBack(row, box.data, condition, is_back))
    charge = form.restocking.data
    percent, cents = (charge, None) if isinstance(charge, Decimal) else (None, charge)
    place = record_id(typed(form.place))
    return ReturnForm(
        typed(form.reason), pieces, typed(form.brought_by), keys, percent, cents, typed(form.means), place
    )


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
