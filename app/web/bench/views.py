"""The bench's pages: its day, a job with its ticks, one cylinder. Bittings open only on a POST, and every opening is
an event.
"""

from dataclasses import dataclass
from itertools import groupby

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue
from wtforms import SelectMultipleField, StringField
from wtforms.validators import AnyOf
from wtforms.widgets import CheckboxInput, ListWidget

from app.documents import show_cut, system_sheet
from app.ledger.bench.bench_queries import BENCH_STAGES, bench_day
from app.ledger.bench.bench_sheet import bench_work, cylinder_record, cylinder_work, former_pins
from app.ledger.bench.checkoff import CUT_IN, tick_cylinders, tick_keys
from app.ledger.bench.pins import short_of_pins
from app.ledger.jobs.cylinder_lines import JobCylinders, ScheduleRow, cautions_by_door, job_cylinders
from app.ledger.jobs.queries import days_late, get_job, job_money
from app.ledger.jobs.stages import BEFORE_BENCH, next_stages, wants_second_check
from app.ledger.keys.key_queries import KeysetCopies, keys_of_job
from app.ledger.keysystems.keysets import waiting_keys
from app.ledger.keysystems.lost_keysets import lost_for_job
from app.ledger.keysystems.ticks import CheckOff, checked_off
from app.ledger.people.login_rules import Proof
from app.ledger.quoting.factory_keyed import sent_cylinders, sent_keysets
from app.ledger.quoting.key_lines import own_copies
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import CylinderState, Job, KeyState, Role, Stage
from app.web.access import proven, roles
from app.web.forms_base import PageForm, flash_and_redirect, typed
from app.web.services import current_work, request_session

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


blueprint = Blueprint("bench", __name__)
blueprint.add_app_template_filter(show_cut, "cut")  # inches as a code machine reads them


@blueprint.get("/bench")
@roles(Role.BENCH)
def index() -> ResponseReturnValue:
    """Today's work, by promise."""
    work = current_work()
    return render_template("bench/index.html", day=bench_day(work.session, work.today))


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


@blueprint.post("/bench/jobs/<int:number>/ticks")
@roles(Role.BENCH)
def tick(number: int) -> ResponseReturnValue:
    """Tick cylinders off as pinned or as checked, keys as cut, or take the ticks back."""
    form = TickForm()
    how = typed(form.as_)
    if done := form.run(lambda: _tick(number, form, how)):
        what = f"{done.value} {'key' if how in _KEYS else 'cylinder'}{'' if done.value == 1 else 's'}"
        return flash_and_redirect(f"{what} {_UNDONE.get(how, f'ticked off as {how}')}.", "bench.job", number=number)
    return _job_page(number, form), 422


def _tick(number: int, form: TickForm, how: str) -> int:
    if how in _KEYS:
        return tick_keys(current_work(), number, form.keys.data or [], _KEYS[how])
    return tick_cylinders(current_work(), number, form.cylinders.data or [], _CYLINDERS[how])


@dataclass(frozen=True, slots=True)
class TickLine:
    """One keyed cylinder with its tick. Never a bitting."""

    row: ScheduleRow
    state: CylinderState
    off: CheckOff
    is_short: bool = False  # of a pin, as the shelf is

    @property
    def is_pinned(self) -> bool:
        """Pinned, whether checked already or not."""
        return self.state is not CylinderState.ORDERED

    @property
    def is_checked(self) -> bool:
        """Checked, and so through the bench."""
        return self.state not in (CylinderState.ORDERED, CylinderState.PINNED)

    @property
    def is_checked_alone(self) -> bool:
        """Checked by the person who pinned it."""
        off = self.off
        return self.is_checked and bool(off.checked_by) and off.pinned_by in ("", off.checked_by)


@dataclass(frozen=True, slots=True)
class _AtBench:
    """A job with its cylinders, and the keys and the copies of the customer's own keys that the shop cuts for it."""

    job: Job
    cylinders: JobCylinders
    keys: list[KeysetCopies]
    copies: tuple[tuple[str, int], ...]

    @property
    def is_keyed_here(self) -> bool:
        return bool(self.cylinders.lines) and "shop" in self.job.keyed_at


def _at_bench(work: Work, number: int) -> _AtBench:
    """LedgerError when the shop keys nothing of the job."""
    job = get_job(work.session, number)
    theirs = sent_keysets(work.session, job)
    mine = (key for key in keys_of_job(work.session, job.id) if key.keyset_id not in theirs)
    keys = [KeysetCopies(keyset, tuple(copies)) for keyset, copies in groupby(mine, key=lambda key: key.keyset)]
    found = _AtBench(job, job_cylinders(work.session, job.id), keys, own_copies(job))
    if not (found.is_keyed_here or found.keys or found.copies):
        raise LedgerError("", f"Nothing in job {number} is keyed on the shop's own bench.")
    return found


def _job_page(number: int, form: TickForm, *, is_open: bool = False) -> str:
    """A job at the bench; is_open: with its pins and cuts, which is put on record.

    Cylinders can be ticked only while it is on the bench, keys from then on.
    """
    work = current_work()
    found = _at_bench(work, number)
    sheets = [system_sheet(system) for system in bench_work(work, found.job).systems] if is_open else []
    if is_open:  # the reveal wrote an event, so the page's rows are read again
        found = _at_bench(work, number)
    job, session = found.job, work.session
    offs, sent = checked_off(session, job.id), sent_cylinders(session, job)
    short = short_of_pins(work, job) if job.stage in BENCH_STAGES else {}
    lines = {
        line.id: TickLine(
            found.cylinders.row(line), line.state, offs.get(line.id, CheckOff()), is_short=line.id in short
        )
        for line in found.cylinders.lines
        if line.keyset_id is not None and line.id not in sent and found.is_keyed_here
    }
    cautions = cautions_by_door(session, job.id, len(found.cylinders.lines))
    allowed = next_stages(job)
    return render_template(
        "bench/job.html",
        job=job,
        late_days=days_late(job, work.today),
        lines=list(lines.values()),
        pinned=sum(line.is_pinned for line in lines.values()),
        short=[line.row.opening_number or line.row.keyset for line in lines.values() if line.is_short],
        checked=sum(line.is_checked for line in lines.values()),
        checked_alone=sum(line.is_checked_alone for line in lines.values()),
        keys=found.keys,
        key_count=sum(len(one.keys) for one in found.keys),
        to_cut=sum(one.count(KeyState.ORDERED) for one in found.keys),
        copies=found.copies,
        waiting=waiting_keys(session, job.id) if job.stage in BENCH_STAGES else (),
        cautions=[
            *(one.of_job for one in lost_for_job(session, job.id)),
            *dict.fromkeys(said for line in found.cylinders.lines for said in cautions.get(line.door_id or 0, ())),
        ],
        can_tick=job.stage is Stage.ON_THE_BENCH,
        can_cut=job.stage in CUT_IN,
        can_start=Stage.ON_THE_BENCH in allowed and job.stage in BEFORE_BENCH,
        deposit_missing=job_money(job).deposit_missing,
        second_check=wants_second_check(session),
        form=form,
        systems=[
            (sheet, [(card, [lines[one] for one in card.cylinder.ids if one in lines]) for card in sheet.cylinders])
            for sheet in sheets
        ],
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
