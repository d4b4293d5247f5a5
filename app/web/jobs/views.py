"""The ledger page, and a job's own page with its moves, its notes and its files."""

from __future__ import annotations

import io

from flask import Blueprint, Response, render_template, request, send_file
from flask.typing import ResponseReturnValue

from app.ledger.care.place import files_folder
from app.ledger.jobs.files import get_file, keep_file, read_content, small_picture
from app.ledger.jobs.notes import add_note
from app.ledger.jobs.queries import get_job, ledger_page
from app.ledger.jobs.stages import move_job
from app.ledger.tables import JobFile, Role
from app.web.access import roles
from app.web.errors import about
from app.web.files import read_upload
from app.web.forms_base import flash_and_redirect, typed
from app.web.jobs.page import FileForm, MoveForm, NoteForm, job_page, read_question
from app.web.query_args import read_page
from app.web.services import current_work, request_session, the_config

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
    return job_page(number, is_whole=request.args.get("all") == "yes")


@blueprint.post("/jobs/<int:number>/move")
@roles(Role.COUNTER, Role.BENCH)
def move(number: int) -> ResponseReturnValue:
    """Move the job to another stage."""
    about(f"job {number}")
    form, work = MoveForm(), current_work()
    job_id = get_job(work.session, number).id
    if done := form.run(lambda: form.into(move_job, work=work, job_id=job_id, version=form.version_read)):
        return flash_and_redirect(f"Job {number} is {done.value.stage.word} now.", "jobs.show", number=number)
    return job_page(number, form=form), 422


@blueprint.post("/jobs/<int:number>/notes")
@roles(Role.COUNTER, Role.BENCH)
def note(number: int) -> ResponseReturnValue:
    """Write a note into the job's story."""
    form, work = NoteForm(), current_work()
    if form.run(lambda: add_note(work, number, typed(form.note))):
        return flash_and_redirect("The note is in the job's story.", "jobs.show", number=number, _anchor="story")
    return job_page(number, note=form), 422


@blueprint.post("/jobs/<int:number>/files")
@roles(Role.COUNTER, Role.BENCH)
def file(number: int) -> ResponseReturnValue:
    """Keep a file with the job."""
    form, work, folder = FileForm(), current_work(), files_folder(the_config())
    if done := form.run(lambda: keep_file(work, folder, number, *read_upload(form.file), typed(form.about))):
        said = f"{done.value.name} is saved with the job."
        return flash_and_redirect(said, "jobs.show", number=number, _anchor="files")
    return job_page(number, upload=form), 422


@blueprint.get("/jobs/<int:number>/files/<int:file_id>")
@roles(Role.COUNTER, Role.BENCH)
def content(number: int, file_id: int) -> ResponseReturnValue:
    """One file: a picture opens in the browser, everything else is saved."""
    found, sent = _file(number, file_id)
    return _send(sent, found.kind.media_type, as_attachment=not found.kind.is_image, download_name=found.name)


@blueprint.get("/jobs/<int:number>/files/<int:file_id>/small.jpg")
@roles(Role.COUNTER, Role.BENCH)
def small(number: int, file_id: int) -> ResponseReturnValue:
    """A photo, small, as the job page shows it."""
    return _send(small_picture(*_file(number, file_id)), "image/jpeg")


def _file(number: int, file_id: int) -> tuple[JobFile, bytes]:
    found = get_file(request_session(), number, file_id)
    return found, read_content(files_folder(the_config()), found)


def _send(sent: bytes, media_type: str, *, as_attachment: bool = False, download_name: str | None = None) -> Response:
    answer = send_file(
        io.BytesIO(sent), mimetype=media_type, as_attachment=as_attachment, download_name=download_name
    )
    # A picture alone: nothing in a file that somebody sent may run, load or send.
    answer.headers["Content-Security-Policy"] = "default-src 'none'; img-src 'self'; sandbox"
    return answer
