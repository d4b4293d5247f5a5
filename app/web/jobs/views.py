"""The ledger page and a job's own page, with its moves."""

from __future__ import annotations

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue

from app.errors import BitternError
from app.ledger.jobs.queries import get_job, ledger_page
from app.ledger.jobs.stages import move_job
from app.ledger.tables import Role
from app.web.access import roles
from app.web.errors import about
from app.web.forms_base import attach, flash_and_redirect, typed
from app.web.jobs.forms import MoveForm, read_question
from app.web.jobs.page import job_forms, job_page
from app.web.query_args import read_page
from app.web.services import current_work

blueprint = Blueprint("jobs", __name__)


@blueprint.get("/ledger")
@roles(Role.COUNTER, Role.BENCH)
def ledger() -> ResponseReturnValue:
    """Every open job, late ones first."""
    work = current_work()
    question = read_question(request.args)
    page = ledger_page(work.session, work.today, question, read_page(request.args))
    return render_template("jobs/index.html", page=page, question=question)


@blueprint.get("/jobs/<int:number>")
@roles(Role.COUNTER, Role.BENCH)
def show(number: int) -> ResponseReturnValue:
    """One job's whole story."""
    page = job_page(current_work(), number, is_whole=request.args.get("all") == "yes")
    return render_template("jobs/show.html", page=page, **job_forms(page))


@blueprint.post("/jobs/<int:number>/move")
@roles(Role.COUNTER, Role.BENCH)
def move(number: int) -> ResponseReturnValue:
    """Move the job to another stage."""
    about(f"job {number}")
    form, work = MoveForm(), current_work()
    job_id = get_job(work.session, number).id
    if form.validate_on_submit():
        try:
            reason, override = typed(form.reason), typed(form.override_reason)
            hands = {"taken_by": typed(form.taken_by), "known": typed(form.known)}
            job = move_job(work, job_id, form.version_read, form.stage, reason, override, **hands)
        except BitternError as error:
            attach(form, error)
        else:
            return flash_and_redirect(f"Job {job.number} is {job.stage.word} now.", "jobs.show", number=number)
    page = job_page(work, number)
    return render_template("jobs/show.html", page=page, **job_forms(page, move=form)), 422
