"""A job's papers by name, the labels from where a sheet begins, and the whole folder."""

from __future__ import annotations

from contextlib import nullcontext

from flask import Blueprint, abort, request, send_file
from flask.typing import ResponseReturnValue
from flask_login import current_user

from app.documents import labels_pdf, printing
from app.errors import BitternError
from app.ledger.care.place import files_folder
from app.ledger.jobs.queries import get_job
from app.ledger.people.login_rules import Proof
from app.ledger.tables import Role
from app.web.access import proven, roles
from app.web.asking_again import ask_to_prove
from app.web.files import CSV, PDF, XLSX, ZIP, send
from app.web.papers.catalogue import papers_of
from app.web.papers.folder import job_folder
from app.web.papers.source import JobSource
from app.web.services import current_work, the_config

blueprint = Blueprint("papers", __name__, url_prefix="/jobs/<int:number>")
_TYPES = {"PDF": PDF, "XLSX": XLSX, "CSV": CSV}


def _source(number: int) -> JobSource:
    work = current_work()
    return JobSource(work, get_job(work.session, number))


def _send(number: int, name: str, *, is_secret: bool) -> ResponseReturnValue:
    source = _source(number)
    stem, _, ending = name.rpartition(".")
    wanted = f"{stem}-{number}.{ending}"
    for paper in papers_of(source):
        for file in paper.files:
            if file.name == wanted and paper.is_secret is not is_secret:
                abort(405)
            if file.name == wanted:
                kind = _TYPES[file.form]
                with printing() if kind == PDF else nullcontext():
                    return send(file.make(), file.name, kind)
    source.schedule  # noqa: B018 - says why where the job has no cylinders yet
    abort(404, f"Job {number} has no such paper.")


@blueprint.get("/<name>")
@roles(Role.COUNTER, Role.BENCH)
def show(number: int, name: str) -> ResponseReturnValue:
    """One paper without a bitting; labels begin after `taken` of the first sheet."""
    taken = request.args.get("taken", "")
    if name == "labels.pdf" and taken:
        source = _source(number)
        if not (taken.isascii() and taken.isdecimal() and len(taken) < 4):
            raise BitternError("taken", "Enter how many labels of the first sheet are used, such as 4.")
        return send(labels_pdf(source.schedule, source.cylinder_address, int(taken)), f"labels-{number}.pdf", PDF)
    return _send(number, name, is_secret=False)


@blueprint.post("/<name>")
@roles(Role.BENCH)
@proven(Proof.BITTINGS)
def secret(number: int, name: str) -> ResponseReturnValue:
    """One paper with bittings or pins: a reveal that is put on record, so never a mere link."""
    return _send(number, name, is_secret=True)


@blueprint.post("/folder.zip")
@roles(Role.COUNTER, Role.BENCH)
def folder(number: int) -> ResponseReturnValue:
    """Everything of the job that this person may see, as one archive; what it reveals is put on record.

    The password is asked for once more as for the bittings and the bitting list that are in it; the counter's
    folder has neither.
    """
    if current_user.role is not Role.COUNTER and any(current_user.has_to_prove(proof) for proof in _proofs()):
        answer = ask_to_prove()
        if answer is not None:
            return answer
    made = job_folder(_source(number), files_folder(the_config()))
    return send_file(made, ZIP, as_attachment=True, download_name=f"job-{number}.zip")


def _proofs() -> tuple[Proof, ...]:
    is_owner = current_user.role is Role.OWNER
    return (Proof.BITTINGS, Proof.BITTING_LIST) if is_owner else (Proof.BITTINGS,)
