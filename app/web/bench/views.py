"""The bench's pages: its day, a job with its ticks, one cylinder. Bittings open only on a POST, and every opening is
an event.
"""

from collections.abc import Mapping
from types import MappingProxyType

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from werkzeug.datastructures import MultiDict
from wtforms import SelectMultipleField, StringField
from wtforms.validators import AnyOf
from wtforms.widgets import CheckboxInput, ListWidget

from app.documents import day_sheet_pdf, printing, show_cut, system_sheet
from app.ledger.bench.bench_queries import bench_day, keys_of_no_job
from app.ledger.bench.bench_sheet import bench_work, cylinder_record, cylinder_work, former_pins
from app.ledger.bench.checkoff import tick_cylinders, tick_keys, tick_rack
from app.ledger.bench.pins import short_of_pins
from app.ledger.jobs.queries import get_job
from app.ledger.jobs.stages import move_job, wants_second_check
from app.ledger.keysystems.keysets import waiting_keys
from app.ledger.people.login_rules import Proof
from app.ledger.store.errors import LedgerError
from app.ledger.tables import CylinderState, KeyState, Role, Stage
from app.validation import counted, first_of
from app.web.access import proven, roles
from app.web.bench.page import at_bench, job_at_bench
from app.web.errors import about
from app.web.files import PDF, send
from app.web.forms_base import PageForm, SavedForm, flash_and_redirect, record_id, typed
from app.web.services import current_work, request_session

MOST_OF_A_DAY = 20  # jobs on one page or sheet
_CYLINDERS = {
    "pinned": CylinderState.PINNED,
    "checked": CylinderState.CHECKED,
    "unticked": CylinderState.ORDERED,
}
_KEYS = {"cut": KeyState.CUT, "uncut": KeyState.ORDERED}
_UNDONE = {"unticked": "to pin and check anew", "uncut": "to cut anew"}


class TickForm(PageForm):
    """Cylinders by id as pinned, checked or not ticked any more, or a whole rack ("2 pinned"); keys by the id of
    their keyset as cut or not. day: the jobs of the page of the day's work that it comes from. is_open: that its
    bittings are open.
    """

    cylinders = SelectMultipleField(
        "Cylinders", coerce=int, validate_choice=False, widget=ListWidget(), option_widget=CheckboxInput()
    )
    keys = SelectMultipleField(
        "Keys", coerce=int, validate_choice=False, widget=ListWidget(), option_widget=CheckboxInput()
    )
    as_ = StringField("As", name="as")
    rack = StringField("Rack")
    day = StringField("Jobs of the day", name="job")
    is_open = StringField("Bittings are open", name="open")


class OnwardForm(SavedForm):
    """A job's next stage, pressed on the page of the day's work."""

    to = StringField("Stage", [AnyOf([Stage.ON_THE_BENCH, Stage.CHECKED], message="Press one of the stages shown.")])


blueprint = Blueprint("bench", __name__)
blueprint.add_app_template_filter(show_cut, "cut")  # inches as a code machine reads them


@blueprint.get("/bench")
@roles(Role.BENCH)
def index() -> ResponseReturnValue:
    """Today's work, by promise."""
    work = current_work()
    beside = keys_of_no_job(work.session)
    return render_template("bench/index.html", day=bench_day(work.session, work.today), beside=beside)


@blueprint.get("/bench/jobs/<int:number>")
@roles(Role.BENCH)
def job(number: int) -> ResponseReturnValue:
    """One job at the bench, its bittings closed."""
    return _job_page(number, TickForm())


@blueprint.post("/bench/jobs/<int:number>/bittings")
@roles(Role.BENCH)
@proven(Proof.BITTINGS)
def bittings(number: int) -> ResponseReturnValue:
    """The same job, its bittings open."""
    return _job_page(number, TickForm(formdata=None), is_open=True)


@blueprint.get("/bench/day")
@roles(Role.BENCH)
def day() -> ResponseReturnValue:
    """The day's work rack by rack: of the jobs that are named, or of all on the bench. Opens no bitting."""
    return _day_page(_day_numbers(request.args))


@blueprint.post("/bench/day")
@roles(Role.BENCH)
@proven(Proof.BITTINGS)
def day_bittings() -> ResponseReturnValue:
    """The same, its bittings open."""
    return _day_page(_day_numbers(request.form), is_open=True)


@blueprint.post("/bench/day-sheet.pdf")
@roles(Role.BENCH)
@proven(Proof.BITTINGS)
def day_sheet() -> ResponseReturnValue:
    """The day's work on paper, a page a rack; what it reveals is put on record for each job."""
    work = current_work()
    chosen = [get_job(work.session, number) for number in _day_numbers(request.form)]
    jobs = [job for job in chosen if not waiting_keys(work.session, job.id)]
    if not jobs:
        raise LedgerError("job", "No job is on the bench that can be pinned: choose jobs on the bench page.")
    with printing():
        sheets = [(bench_work(work, job), short_of_pins(work, job)) for job in jobs]
        return send(day_sheet_pdf(sheets), f"day-sheet-{work.today:%Y-%m-%d}.pdf", PDF)


def _day_numbers(sent: MultiDict[str, str]) -> list[int]:
    """The numbers of the jobs that were chosen, those of all on the bench where none was; each once, by promise."""
    chosen = {record_id(one) for one in " ".join(sent.getlist("job")[:MOST_OF_A_DAY]).split()[:MOST_OF_A_DAY]}
    work = current_work()
    waiting = [row.job for row in bench_day(work.session, work.today).rows]
    if chosen:
        return [job.number for job in waiting if job.number in chosen]
    return [job.number for job in waiting if job.stage is Stage.ON_THE_BENCH][:MOST_OF_A_DAY]


@blueprint.post("/bench/day/jobs/<int:number>/move")
@roles(Role.BENCH)
def move(number: int) -> ResponseReturnValue:
    """Move a job of the day's work on; the page stays the day's, whether it may or not."""
    about(f"job {number}")
    form, work = OnwardForm(), current_work()
    job_id = get_job(work.session, number).id
    if done := form.run(lambda: move_job(work, job_id, form.version_read, Stage(typed(form.to)))):
        said = f"Job {number} is {done.value.stage.word} now."
        return flash_and_redirect(said, "bench.day", job=request.form.get("job", "")[:200])
    return _day_page(_day_numbers(request.form), refused={number: form}), 422


def _day_page(
    numbers: list[int],
    *,
    is_open: bool = False,
    refused: Mapping[int, OnwardForm] = MappingProxyType({}),
    ticks: Mapping[int, TickForm] = MappingProxyType({}),
) -> str:
    found = [at_bench(current_work(), number) for number in numbers]
    benches = [job_at_bench(one, is_open=is_open and not one.waiting) for one in found]
    return render_template(
        "bench/day.html",
        benches=benches,
        numbers=" ".join(map(str, numbers)),
        is_open=is_open,
        form=TickForm(formdata=None),
        refused=refused,
        ticks=ticks,
        second_check=wants_second_check(request_session()),
    )


@blueprint.post("/bench/jobs/<int:number>/ticks")
@roles(Role.BENCH)
def tick(number: int) -> ResponseReturnValue:
    """Tick cylinders off as pinned or as checked, one by one or a rack, keys as cut, or take the ticks back. Pressed
    on the page of the day's work the page stays the day's, whether it may or not.
    """
    form = TickForm()
    day = typed(form.day)[:200]
    if done := form.run(lambda: _tick(number, form)):
        said, left = done.value
        if left:
            flash(f"Not ticked off: {first_of(left, 12)}.", "caution")
        if typed(form.is_open):  # the same press goes on to the page that opens them again, on record as before
            flash(said)
            place = f"job-{number}" if day else None
            page = url_for("bench.day_bittings", _anchor=place) if day else url_for("bench.bittings", number=number)
            return redirect(page, 307)
        if day:
            return flash_and_redirect(said, "bench.day", job=day, _anchor=f"job-{number}")
        return flash_and_redirect(said, "bench.job", number=number)
    if day and number in (numbers := _day_numbers(request.form)):
        return _day_page(numbers, ticks={number: form}), 422
    return _job_page(number, form), 422


def _tick(number: int, form: TickForm) -> tuple[str, tuple[str, ...]]:
    """What was done, in words, and what of a rack was left."""
    how, work = typed(form.as_), current_work()
    if rack := typed(form.rack):
        place, _, how = rack.partition(" ")
        if how not in ("pinned", "checked"):
            raise LedgerError("as_", "Press one of the buttons.")
        count, left = tick_rack(work, number, record_id(place), _CYLINDERS[how])
        return f"Rack {place}: {counted(count, 'cylinder')} ticked off as {how}.", left
    if how in _KEYS:
        said = counted(tick_keys(work, number, form.keys.data or [], _KEYS[how]), "key")
    elif how in _CYLINDERS:
        said = counted(tick_cylinders(work, number, form.cylinders.data or [], _CYLINDERS[how]), "cylinder")
    else:
        raise LedgerError("as_", "Press one of the buttons.")
    return f"{said} {_UNDONE.get(how, f'ticked off as {how}')}.", ()


def _job_page(number: int, form: TickForm, *, is_open: bool = False) -> str:
    """A job at the bench. Cylinders can be ticked only while it is on the bench, keys from then on."""
    work = current_work()
    return render_template(
        "bench/job.html",
        bench=job_at_bench(at_bench(work, number), is_open=is_open),
        is_open=is_open,
        second_check=wants_second_check(work.session),
        form=form,
    )


@blueprint.get("/cylinders/<int:cylinder_id>")
@roles(Role.COUNTER, Role.BENCH)
def cylinder(cylinder_id: int) -> ResponseReturnValue:
    """What a cylinder is, its door, its keyset and how far it is, as its label opens it. Opens no bitting."""
    return render_template("bench/cylinder.html", record=cylinder_record(request_session(), cylinder_id), sheet=None)


@blueprint.post("/cylinders/<int:cylinder_id>/pins")
@roles(Role.BENCH)
@proven(Proof.BITTINGS)
def pins(cylinder_id: int) -> ResponseReturnValue:
    """The same page with the key's cuts and the pins, drawn; the look is put on record."""
    work = current_work()
    sheet = system_sheet(cylinder_work(work, cylinder_record(work.session, cylinder_id)))
    return render_template("bench/cylinder.html", record=cylinder_record(work.session, cylinder_id), sheet=sheet)


@blueprint.post("/cylinders/<int:cylinder_id>/former-pins")
@roles(Role.BENCH)
@proven(Proof.BITTINGS)
def former(cylinder_id: int) -> ResponseReturnValue:
    """The same page with the pins that were sealed when it was pinned or removed; the look is put on record."""
    work = current_work()
    sheet = system_sheet(former_pins(work, cylinder_record(work.session, cylinder_id)))
    return render_template("bench/cylinder.html", record=cylinder_record(work.session, cylinder_id), sheet=sheet)
