"""The bench's pages. Bittings open only on a POST, and every opening is an event."""

from __future__ import annotations

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue
from wtforms import SelectMultipleField, StringField
from wtforms.validators import AnyOf
from wtforms.widgets import CheckboxInput, ListWidget

from app.documents import show_cut
from app.ledger.bench.bench_queries import bench_day
from app.ledger.bench.checkoff import tick_cylinders, tick_keys
from app.ledger.people.login_rules import Proof
from app.ledger.tables import CylinderState, KeyState, Role
from app.web.access import proven, roles
from app.web.bench.page import bench_job_page, revealed
from app.web.forms_base import PageForm, flash_and_redirect, typed
from app.web.services import current_work

_CYLINDERS = {
    "pinned": CylinderState.PINNED,
    "checked": CylinderState.CHECKED,
    "unticked": CylinderState.ORDERED,
}
_KEYS = {"cut": KeyState.CUT, "uncut": KeyState.ORDERED}
_UNDONE = {"unticked": "to pin and check anew", "uncut": "to cut anew"}


class TickForm(PageForm):
    """Cylinders by id as pinned, checked or not ticked any more; keys by the id of their keyset as cut or not."""

    cylinders = SelectMultipleField(
        "Cylinders", coerce=int, validate_choice=False, widget=ListWidget(), option_widget=CheckboxInput()
    )
    keys = SelectMultipleField(
        "Keys", coerce=int, validate_choice=False, widget=ListWidget(), option_widget=CheckboxInput()
    )
    as_ = StringField("As", [AnyOf([*_CYLINDERS, *_KEYS], message="Press one of the buttons.")], name="as")

    @property
    def how(self) -> str:
        """The button that was pressed."""
        return typed(self.as_)


blueprint = Blueprint("bench", __name__, url_prefix="/bench")
blueprint.add_app_template_filter(show_cut, "cut")  # inches as a code machine reads them


@blueprint.get("")
@roles(Role.BENCH)
def index() -> ResponseReturnValue:
    """Today's work, by promise."""
    work = current_work()
    return render_template("bench/index.html", day=bench_day(work.session, work.today))


@blueprint.get("/jobs/<int:number>")
@roles(Role.BENCH)
def job(number: int) -> ResponseReturnValue:
    """One job at the bench, its bittings closed."""
    return render_template("bench/job.html", page=bench_job_page(current_work(), number), form=TickForm(), systems=())


@blueprint.post("/jobs/<int:number>/bittings")
@roles(Role.BENCH)
@proven(Proof.BITTINGS)
def bittings(number: int) -> ResponseReturnValue:
    """The same job, its bittings open."""
    work = current_work()
    systems = revealed(work, bench_job_page(work, number))
    # The reveal wrote an event, so the page's rows are read again.
    page = bench_job_page(work, number)
    return render_template("bench/job.html", page=page, form=TickForm(formdata=None), systems=systems)


@blueprint.post("/jobs/<int:number>/ticks")
@roles(Role.BENCH)
def tick(number: int) -> ResponseReturnValue:
    """Tick cylinders off as pinned or as checked, keys as cut, or take the ticks back."""
    form = TickForm()
    if done := form.run(lambda: _tick(number, form)):
        what = f"{done.value} {'key' if form.how in _KEYS else 'cylinder'}{'' if done.value == 1 else 's'}"
        said = _UNDONE.get(form.how, f"ticked off as {form.how}")
        return flash_and_redirect(f"{what} {said}.", "bench.job", number=number)
    return render_template("bench/job.html", page=bench_job_page(current_work(), number), form=form, systems=()), 422


def _tick(number: int, form: TickForm) -> int:
    if form.how in _KEYS:
        return tick_keys(current_work(), number, form.keys.data or [], _KEYS[form.how])
    return tick_cylinders(current_work(), number, form.cylinders.data or [], _CYLINDERS[form.how])
