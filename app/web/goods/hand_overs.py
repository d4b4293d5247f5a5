"""Handing over what a job brings: all that is left, or a part, and the paper that goes with it."""

import re

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from werkzeug.datastructures import MultiDict

from app.documents import goods_to_pick_pdf, hand_over_pdf
from app.errors import Problem, Problems
from app.ledger.goods.hand_overs import HandOver, hand_overs_of
from app.ledger.goods.handing_over import (
    PART_STAGES,
    HandOverForm,
    PartForm,
    hand_over,
    hand_over_part,
    is_all_gone,
    lost_before_and_after,
    still_open,
)
from app.ledger.goods.papers import hand_over_sheet, picks_of
from app.ledger.goods.shelf import there_now
from app.ledger.jobs.papers import job_head, schedule_of
from app.ledger.jobs.queries import get_job
from app.ledger.store.errors import NotFound
from app.ledger.tables import Key, Keyset, Role
from app.web.access import roles
from app.web.errors import about
from app.web.files import PDF, send
from app.web.forms_base import SavedForm, flash_and_redirect, record_id, text, typed
from app.web.jobs.page import OVER_THE_LIMIT, TakerForm, job_page
from app.web.services import current_work

_COUNT = re.compile(r"(keys|goods)-([0-9]{1,9})")

blueprint = Blueprint("hand_overs", __name__)


class PartPage(SavedForm):
    """Who takes a part of a job; what goes stands in boxes named for it."""

    taken_by = text("Who takes it", Key.holder, hint="A person's name; it stands on the receipt.")
    credit = text(OVER_THE_LIMIT, 300, hint="It stays on record.")


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
    about(f"job {number}")
    form, work = PartPage(), current_work()
    job = get_job(work.session, number)
    if job.stage not in PART_STAGES:
        flash(f"Job {number} is {job.stage.word}: nothing of it can be handed over.", "caution")
        return redirect(url_for("jobs.show", number=number), 303)
    if not form.is_submitted() and is_all_gone(work.session, job):
        flash(f"All of job {number} was handed over.", "caution")
        return redirect(url_for("jobs.show", number=number), 303)

    def take() -> HandOver:
        return hand_over_part(work, job.id, form.version_read, _read_part(form, request.form))

    if done := form.run(take):
        return _handed(number, done.value)
    return _page(number, form), form.status


def _handed(number: int, handed: HandOver) -> ResponseReturnValue:
    rest = "; the rest is still promised" if handed.left else ""
    said = f"Handed over to {handed.taken_by}{rest}. Have receipt {handed.number} signed. {handed.lost_still}"
    if request.args.get("sale"):
        return flash_and_redirect(said.strip(), "counter_sale.page", number=number)
    return flash_and_redirect(said.strip(), "jobs.show", number=number, _anchor="papers")


def _read_part(form: PartPage, sent: MultiDict[str, str]) -> PartForm:
    """What goes: `cylinder` by id, `keys-12` of keyset 12, `goods-3` of line 3; Problems on a count that is none."""
    counts: dict[str, dict[int, int]] = {"keys": {}, "goods": {}}
    problems = []
    for name, value in sent.items():
        if (found := _COUNT.fullmatch(name)) and (count := value.strip()):
            if count.isascii() and count.isdecimal() and len(count) < 7:
                counts[found[1]][int(found[2])] = int(count)
            else:
                problems.append(Problem(found[1], f"“{count[:20]}” is no count: enter a whole number of {found[1]}."))
    if problems:
        raise Problems(problems)
    cylinders = {record_id(one) for one in sent.getlist("cylinder")}
    return PartForm(typed(form.taken_by), cylinders, counts["keys"], counts["goods"], typed(form.credit))


def _page(number: int, form: PartPage) -> str:
    """The page on which a part is handed over: what is there, each with its box. Opens no bitting."""
    work = current_work()
    job = get_job(work.session, number)
    there = there_now(work.session, job)
    if not form.is_submitted():
        form.version.data = str(job.version)
    keysets: dict[Keyset, int] = {}
    for key in there.keys:
        keysets[key.keyset] = keysets.get(key.keyset, 0) + 1
    ids = {one.id for one in there.cylinders}
    return render_template(
        "goods/hand_over.html",
        job=job,
        form=form,
        rows=[row for row in schedule_of(work, job).rows if row.cylinder_id in ids],
        keysets=keysets,
        goods=[(line, there.goods[line.number]) for line in job.lines if line.number in there.goods],
        picks=picks_of(work.session, job),
        still=still_open(work.session, job),
        lost_words=lost_before_and_after(work, job),
        ticked=request.form.getlist("cylinder"),
        sent=request.form,
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
