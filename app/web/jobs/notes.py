"""Notes and files of a job: write one, send one, look at one."""

from __future__ import annotations

import io

from flask import Blueprint, render_template, send_file
from flask.typing import ResponseReturnValue

from app.errors import BitternError
from app.ledger.care.place import files_folder
from app.ledger.jobs.files import get_file, keep_file, read_content, small_picture
from app.ledger.jobs.notes import add_note
from app.ledger.tables import Role
from app.web.access import roles
from app.web.files import read_upload
from app.web.forms_base import attach, flash_and_redirect, typed
from app.web.jobs.forms import FileForm, NoteForm
from app.web.jobs.page import job_forms, job_page
from app.web.services import current_work, request_session, the_config

blueprint = Blueprint("story", __name__, url_prefix="/jobs/<int:number>")

# A picture alone: nothing in a file that somebody sent may run, load or send.
_POLICY = "default-src 'none'; img-src 'self'; sandbox"


@blueprint.post("/notes")
@roles(Role.COUNTER, Role.BENCH)
def note(number: int) -> ResponseReturnValue:
    """Write a note into the job's story."""
    form, work = NoteForm(), current_work()
    if form.run(lambda: add_note(work, number, typed(form.note))):
        return flash_and_redirect("The note is in the job's story.", "jobs.show", number=number, _anchor="story")
    page = job_page(work, number)
    return render_template("jobs/show.html", page=page, **job_forms(page, note=form)), 422


@blueprint.post("/files")
@roles(Role.COUNTER, Role.BENCH)
def file(number: int) -> ResponseReturnValue:
    """Keep a file with the job."""
    form, work = FileForm(), current_work()
    if form.validate_on_submit():
        name, content = read_upload(form.file)
        try:
            kept = keep_file(work, files_folder(the_config()), number, name, content, typed(form.about))
        except BitternError as error:
            attach(form, error)
        else:
            return flash_and_redirect(
                f"{kept.name} is saved with the job.", "jobs.show", number=number, _anchor="files"
            )
    page = job_page(work, number)
    return render_template("jobs/show.html", page=page, **job_forms(page, upload=form)), 422


@blueprint.get("/files/<int:file_id>")
@roles(Role.COUNTER, Role.BENCH)
def content(number: int, file_id: int) -> ResponseReturnValue:
    """One file: a picture opens in the browser, everything else is saved."""
    found = get_file(request_session(), number, file_id)
    answer = send_file(
        io.BytesIO(read_content(files_folder(the_config()), found)),
        mimetype=found.kind.media_type,
        as_attachment=not found.kind.is_image,
        download_name=found.name,
    )
    answer.headers["Content-Security-Policy"] = _POLICY
    return answer


@blueprint.get("/files/<int:file_id>/small.jpg")
@roles(Role.COUNTER, Role.BENCH)
def small(number: int, file_id: int) -> ResponseReturnValue:
    """A photo, small, as the job page shows it."""
    found = get_file(request_session(), number, file_id)
    answer = send_file(
        io.BytesIO(small_picture(found, read_content(files_folder(the_config()), found))), mimetype="image/jpeg"
    )
    answer.headers["Content-Security-Policy"] = _POLICY
    return answer
