"""A job's papers by name, the labels from where a sheet begins, and the whole folder."""

import io
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from contextlib import nullcontext
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import IO

from flask import Blueprint, abort, render_template, request, send_file
from flask.typing import ResponseReturnValue
from flask_login import current_user

from app.documents import labels_pdf, printing
from app.errors import BitternError
from app.ledger.care.place import files_folder
from app.ledger.jobs.files import files_of_job
from app.ledger.jobs.queries import get_job
from app.ledger.people.login_rules import Proof
from app.ledger.store.errors import LedgerBusy, NotAllowed
from app.ledger.store.events import OVERRIDES, events_of_job
from app.ledger.store.kept_files import read_kept
from app.ledger.tables import Role
from app.web.access import proven, roles
from app.web.files import CSV, PDF, XLSX, ZIP, send
from app.web.papers.job_papers import JobSource, papers_of
from app.web.reauthentication import ask_again
from app.web.services import current_work, the_config

_MOST_STORY = 2_000
_IN_MEMORY = 16 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class FolderLine:
    """One file of the folder in its index; `missing`: why it is not there."""

    name: str
    words: str
    number: str
    is_secret: bool
    size: int = 0
    missing: str = ""


def job_folder(source: JobSource, files_folder: Path) -> IO[bytes]:
    """The archive, to be read from its start and closed by who sends it; on the disk once it is large.

    A paper that is refused (a finding of the audit) stands in the index with the reason. What opens bittings puts
    that on record, as on its own page. The whole folder is one print: PrintingBusy before anything is opened, never
    in its middle; its turn ends with its papers, for whoever waits to print need not wait for photos.
    """
    made = tempfile.SpooledTemporaryFile(_IN_MEMORY)  # noqa: SIM115 - it outlives this function
    moment = source.work.now.astimezone().timetuple()[:6]
    lines: list[FolderLine] = []
    try:
        with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
            with printing():
                lines += [_put_in(archive, *paper, moment) for paper in _papers(source)]
            lines += [_put_in(archive, *file, moment) for file in _files(source, files_folder)]
            _put(archive, "index.html", _index(source, lines).encode(), moment)
    except BaseException:
        made.close()
        raise
    size = made.tell()
    made.seek(0)
    if size > _IN_MEMORY:
        return made
    with made:
        return io.BytesIO(made.read())


def _papers(source: JobSource) -> Iterator[tuple[FolderLine, Callable[[], bytes]]]:
    """Each paper with what makes it, one after the other: only one of them is in memory."""
    for paper in papers_of(source):
        for file in paper.files:
            yield FolderLine(f"papers/{file.name}", paper.words, paper.number, paper.is_secret), file.make


def _files(source: JobSource, files_folder: Path) -> Iterator[tuple[FolderLine, Callable[[], bytes]]]:
    """Each file that was put with the job, with what reads it."""
    for kept in files_of_job(source.work.session, source.job.id):
        line = FolderLine(f"files/{kept.id}-{kept.name}", kept.about or "File", "", is_secret=False)
        yield line, partial(read_kept, files_folder, kept)


def _put_in(
    archive: zipfile.ZipFile, line: FolderLine, make: Callable[[], bytes], moment: tuple[int, ...]
) -> FolderLine:
    try:
        content = make()
    except (NotAllowed, LedgerBusy):
        raise
    except BitternError as error:
        return replace(line, missing=error.message)
    _put(archive, line.name, content, moment)
    return replace(line, size=len(content))


def _put(archive: zipfile.ZipFile, name: str, content: bytes, moment: tuple[int, ...]) -> None:
    entry = zipfile.ZipInfo(name, moment)  # type: ignore[arg-type]  # six numbers, as it wants
    entry.external_attr = 0o600 << 16
    archive.writestr(entry, content, zipfile.ZIP_DEFLATED)


def _index(source: JobSource, lines: list[FolderLine]) -> str:
    work, job = source.work, source.job
    story = events_of_job(work.session, job.id, work.actor.role, _MOST_STORY)
    # A folder is sent on: only the owner's own copy gives the reasons for overrides.
    if work.actor.role is not Role.OWNER:
        story = [event for event in story if event.kind not in OVERRIDES]
    return render_template(
        "papers/index.html",
        job=job,
        lines=lines,
        story=story,
        made_by=work.actor.name,
        made_at=work.now,
        has_secrets=any(line.is_secret and not line.missing for line in lines),
    )


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
        answer = ask_again(is_lock=False)
        if answer is not None:
            return answer
    made = job_folder(_source(number), files_folder(the_config()))
    return send_file(made, ZIP, as_attachment=True, download_name=f"job-{number}.zip")


def _proofs() -> tuple[Proof, ...]:
    is_owner = current_user.role is Role.OWNER
    return (Proof.BITTINGS, Proof.BITTING_LIST) if is_owner else (Proof.BITTINGS,)
