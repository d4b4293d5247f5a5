"""The ledger page and a job's own page, its moves and its papers."""

from __future__ import annotations

__all__ = ["blueprint"]

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app import documents
from app.errors import BitternError
from app.ledger.jobs.papers import bench_work
from app.ledger.jobs.queries import get_job, ledger_page
from app.ledger.jobs.stages import move_job
from app.ledger.users.login_rules import Proof
from app.ledger.users.models import Role
from app.web.access import proven, roles
from app.web.errors import about
from app.web.files import CSV, PDF, XLSX, send
from app.web.forms_base import attach
from app.web.jobs.forms import MoveForm, read_question
from app.web.jobs.page import job_forms, job_page, schedule_on_record
from app.web.listing import read_page
from app.web.services import current_work, request_session

blueprint = Blueprint("jobs", __name__)


@blueprint.get("/ledger")
@roles(Role.COUNTER, Role.BENCH)
def ledger() -> ResponseReturnValue:
    """Every open job, late ones first."""
    work = current_work()
    question = read_question(request.args)
    page = ledger_page(work.session, work.today, question, read_page(request.args))
    return render_template("jobs/ledger.html", page=page, question=question)


@blueprint.get("/jobs/<int:number>")
@roles(Role.COUNTER, Role.BENCH)
def show(number: int) -> ResponseReturnValue:
    """One job's whole story."""
    page = job_page(current_work(), number)
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
            job = move_job(
                work, job_id, form.version_read, form.stage, form.reason.data or "", form.override_reason.data or ""
            )
        except BitternError as error:
            attach(form, error)
        else:
            flash(f"Job {job.number} is {job.stage.value} now.")
            return redirect(url_for("jobs.show", number=number), 303)
    page = job_page(work, number)
    return render_template("jobs/show.html", page=page, **job_forms(page, move=form)), 422


@blueprint.get("/jobs/<int:number>/keying-schedule.pdf")
@roles(Role.COUNTER, Role.BENCH)
def schedule_pdf(number: int) -> ResponseReturnValue:
    """The installer's keying schedule."""
    schedule = schedule_on_record(current_work(), number)
    return send(documents.schedule_pdf(schedule), f"keying-schedule-{number}.pdf", PDF)


@blueprint.get("/jobs/<int:number>/keying-schedule.csv")
@roles(Role.COUNTER, Role.BENCH)
def schedule_csv(number: int) -> ResponseReturnValue:
    """The keying schedule as a table of text."""
    schedule = schedule_on_record(current_work(), number)
    return send(documents.schedule_csv(schedule), f"keying-schedule-{number}.csv", CSV)


@blueprint.get("/jobs/<int:number>/keying-schedule.xlsx")
@roles(Role.COUNTER, Role.BENCH)
def schedule_xlsx(number: int) -> ResponseReturnValue:
    """The keying schedule as a spreadsheet."""
    schedule = schedule_on_record(current_work(), number)
    return send(documents.schedule_xlsx(schedule), f"keying-schedule-{number}.xlsx", XLSX)


@blueprint.post("/jobs/<int:number>/bench-sheet.pdf")
@roles(Role.BENCH)
@proven(Proof.BITTINGS)
def bench_pdf(number: int) -> ResponseReturnValue:
    """The bench sheet, bittings, pins and cuts: a reveal that is put on record, so never a mere link."""
    job = get_job(request_session(), number)
    return send(documents.bench_sheet_pdf(bench_work(current_work(), job)), f"bench-sheet-{number}.pdf", PDF)
