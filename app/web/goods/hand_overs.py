"""Handing over what a job brings: all that is left, or a part, and the paper that goes with it."""

from collections import Counter
from collections.abc import Collection, Sequence

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from wtforms import SelectMultipleField, StringField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs

from app.documents import goods_to_pick_pdf, hand_over_pdf
from app.errors import Problems
from app.ledger.goods.hand_overs import HandOver, hand_overs_of
from app.ledger.goods.handing_over import (
    PART_STAGES,
    HandOverForm,
    PartForm,
    hand_over,
    hand_over_part,
    is_all_gone,
    lost_before_and_after,
    part_problems,
    still_open,
)
from app.ledger.goods.papers import hand_over_sheet, picks_of
from app.ledger.goods.shelf import there_now
from app.ledger.jobs.cylinder_lines import ScheduleRow
from app.ledger.jobs.papers import job_head, schedule_of
from app.ledger.jobs.queries import get_job
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.store.errors import NotFound
from app.ledger.tables import Job, Key, Keyset, Role
from app.web.access import roles
from app.web.errors import about
from app.web.fields import WholeField
from app.web.files import PDF, send
from app.web.forms_base import SavedForm, attach, flash_and_redirect, record_id, text, with_boxes
from app.web.jobs.page import OVER_THE_LIMIT, TakerForm, job_page
from app.web.services import current_work

_WHOLE = "Enter a whole number of pieces."

blueprint = Blueprint("hand_overs", __name__)


class PartPage(SavedForm):
    """Who takes a part of a job, and which cylinders; beside that a box for the keys of each keyset, `keys-12`, and
    for each line, `goods-3`.
    """

    taken_by = text("Who takes it", Key.holder, hint="A person's name; it stands on the receipt.")
    cylinders = SelectMultipleField("Cylinders", name="cylinder", validate_choice=False)
    known = StringField("Handed over all the same")  # agrees to one sentence
    credit = text(OVER_THE_LIMIT, 300, hint="It stays on record.")

    def counts(self, of_what: str) -> dict[int, int]:
        """What was entered of keys by keyset, or of goods by line."""
        named = ((field.name.removeprefix(f"{of_what}-"), field.data) for field in self)
        return {record_id(row): count for row, count in named if record_id(row) and count is not None}

    def tell_besides(self, job: Job, sent: PartForm) -> None:
        """What else is wrong where a box cannot be read, so that all is told at once; no box twice."""
        refused = {box.name for box in self if box.errors}
        if any("-" in name for name in refused) and not sent.cylinders:
            refused.add("cylinders")  # what was typed there may be all that goes
        if any(name.startswith("keys-") for name in refused):
            refused.add("known")  # how many keys go is not known yet
        found = part_problems(current_work().session, job, sent)
        if others := [one for one in found if one.field not in refused]:
            attach(self, Problems(others))


def _part_form(rows: Sequence[ScheduleRow], job: Job, keysets: Collection[Keyset]) -> PartPage:
    """The form of a job, with boxes for what is gone as well: who was late reads what he typed."""
    boxes = {f"keys-{one.id}": WholeField(f"Keys to {one.symbol}", how=_WHOLE) for one in keysets}
    boxes |= {f"goods-{line.number}": WholeField(line.description, how=_WHOLE) for line in job.lines}
    form = with_boxes(PartPage, boxes)()
    form.cylinders.choices = [
        SelectChoice(str(row.cylinder_id), f"{row.opening_number or 'no door'} {row.keyset}".strip()) for row in rows
    ]
    return form


@blueprint.post("/jobs/<int:number>/hand-overs")
@roles(Role.COUNTER, Role.BENCH)
def everything(number: int) -> ResponseReturnValue:
    """Hand over all that is left of a job that is ready."""
    about(f"job {number}")
    form, work = TakerForm(), current_work()
    job_id = get_job(work.session, number).id
    if done := form.run(lambda: hand_over(work, job_id, form.version_read, form.into(HandOverForm))):
        return _handed(number, done.value)
    return job_page(number, taker=form), 422


@blueprint.route("/jobs/<int:number>/hand-over", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def page(number: int) -> ResponseReturnValue:
    """Hand over the pieces of a job that are chosen on the page."""
    work = current_work()
    job = get_job(work.session, number)
    schedule = schedule_of(work, job)
    form = _part_form(schedule.rows, job, {key.keyset for key in keys_of_job(work.session, job.id)})
    about(f"job {number}", form)
    if job.stage not in PART_STAGES:
        flash(f"Job {number} is {job.stage.word}: nothing of it can be handed over.", "caution")
        return redirect(url_for("jobs.show", number=number), 303)
    if not form.is_submitted() and is_all_gone(work.session, job):
        flash(f"All of job {number} was handed over.", "caution")
        return redirect(url_for("jobs.show", number=number), 303)
    cylinders = {record_id(one) for one in form.cylinders.data or ()}
    part = form.into(PartForm, cylinders=cylinders, keys=form.counts("keys"), goods=form.counts("goods"))
    if form.is_submitted() and not form.validate():
        form.tell_besides(job, part)
    elif done := form.run(lambda: hand_over_part(work, job.id, form.version_read, part)):
        return _handed(number, done.value)
    return _page(number, form, schedule.rows), form.status


def _handed(number: int, handed: HandOver) -> ResponseReturnValue:
    rest = "; the rest is still promised" if handed.left else ""
    said = f"Handed over to {handed.taken_by}{rest}. Have receipt {handed.number} signed. {handed.lost_still}"
    if request.args.get("sale"):
        return flash_and_redirect(said.strip(), "counter_sale.page", number=number)
    return flash_and_redirect(said.strip(), "jobs.show", number=number, _anchor="papers")


def _page(number: int, form: PartPage, rows: Sequence[ScheduleRow]) -> str:
    """The page on which a part is handed over: what is there, each with its box. Opens no bitting."""
    work = current_work()
    job = get_job(work.session, number)
    there, still = there_now(work.session, job), still_open(work.session, job)
    keysets = Counter(key.keyset for key in there.keys)
    if not form.is_submitted():
        form.version.data = str(job.version)
        # What construction keys turn goes to the site first, all of it and with none but those.
        form.cylinders.data = [str(one.id) for one in there.cylinders if still.waiting and one.construction]
        for keyset, count in keysets.items() if still.waiting else ():
            form[f"keys-{keyset.id}"].data = count if keyset.level.is_of_construction else 0
    ids = {one.id for one in there.cylinders}
    return render_template(
        "goods/hand_over.html",
        job=job,
        form=form,
        rows=[row for row in rows if row.cylinder_id in ids],
        keysets=keysets,
        goods=[(line, there.goods[line.number]) for line in job.lines if line.number in there.goods],
        picks=picks_of(work.session, job),
        still=still,
        lost_words=lost_before_and_after(work, job),
        ticked=form.cylinders.data or (),
    )


@blueprint.get("/jobs/<int:number>/hand-over/pick-list.pdf")
@roles(Role.COUNTER, Role.BENCH)
def pick_list(number: int) -> ResponseReturnValue:
    """What the job takes of the shelf, to go and fetch it."""
    work = current_work()
    job = get_job(work.session, number)
    paper = goods_to_pick_pdf(job_head(work, job), picks_of(work.session, job))
    return send(paper, f"pick-list-{number}.pdf", PDF)


@blueprint.get("/jobs/<int:number>/hand-overs/<int:place>.pdf")
@roles(Role.COUNTER, Role.BENCH)
def paper(number: int, place: int) -> ResponseReturnValue:
    """The paper of the first, second … time that somebody took something of the job."""
    work = current_work()
    job = get_job(work.session, number)
    found = next((one for one in hand_overs_of(work.session, job) if one.place == place), None)
    if found is None:
        raise NotFound("hand-over of this job")
    sheet = hand_over_sheet(work, job, schedule_of(work, job), found)
    return send(hand_over_pdf(sheet), f"hand-over-{number}-{place}.pdf", PDF)
