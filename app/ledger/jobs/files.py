"""Files of a job: saved, asked for, and small pictures of photos."""

from __future__ import annotations

import hashlib
import io
import os
import secrets
import threading
import warnings
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import sqlalchemy as sa
from PIL import Image, ImageOps
from sqlalchemy.orm import Session, joinedload

from app.ledger.jobs.file_kinds import find_kind, has_too_many_pixels, plain_name
from app.ledger.jobs.queries import get_job
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound, reason_of
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Job, JobFile, Role, User
from app.validation import fault_of_length

MOST_WORDS = 200
MOST_FILES = 200  # a job with more is a mistake, or a machine at work


def keep_file(work: Work, folder: Path, job_number: int, sent_name: str, content: bytes, about: str = "") -> JobFile:
    """Keep a file with a job, under a name of chance in `folder`; an event of the job says who sent what.

    about: what it shows, in words. Raises NotFound, and LedgerError on `file` or `about`; then nothing is kept.
    """
    work.require(Role.COUNTER, Role.BENCH)
    about = " ".join(about.split())
    if fault := fault_of_length(about, MOST_WORDS):
        raise LedgerError("about", fault)
    kind = find_kind(sent_name, content)
    stored_name = secrets.token_hex(16)
    path = folder / stored_name
    try:
        with transaction(work.session):
            job = get_job(work.session, job_number)
            digest = hashlib.sha256(content).digest()
            _require_room(work, job.id, digest)
            file = JobFile(
                job_id=job.id,
                stored_name=stored_name,
                name=plain_name(sent_name, kind),
                kind=kind,
                size=len(content),
                sha256=digest,
                about=about,
                kept_at=work.now,
                kept_by_id=work.actor.user_id,
            )
            work.session.add(file)
            # Before the row is saved: a backup copies the database first, so no row of it misses its file.
            _write(path, content)
            work.session.flush()
            record(
                work,
                "file kept",
                f"job {job.number}",
                f"File {file.name} kept" + (f": {about}" if about else ""),
                job_id=job.id,
                file=file.id,
                bytes=file.size,
            )
            return file
    except BaseException:
        with suppress(OSError):
            path.unlink()
        raise


def _require_room(work: Work, job_id: int, digest: bytes) -> None:
    there = work.session.query(JobFile.name, JobFile.sha256).filter(JobFile.job_id == job_id).all()
    same = next((name for name, other in there if other == digest), None)
    if same is not None:
        raise LedgerError("file", f"This file is with the job already, as {same}.")
    if len(there) >= MOST_FILES:
        raise LedgerError("file", f"A job keeps at most {MOST_FILES} files.")


def _write(path: Path, content: bytes) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
    except OSError as error:
        raise LedgerError(
            "file", f"The file could not be written: {reason_of(error)}. Nothing was saved; tell the owner."
        ) from error


def files_of_job(session: Session, job_id: int) -> Sequence[JobFile]:
    """A job's files, newest first, with who sent them: one query."""
    return session.scalars(_OF_JOB, {"job": job_id}).all()


_OF_JOB = (
    sa.select(JobFile)
    .where(JobFile.job_id == sa.bindparam("job"))
    .options(joinedload(JobFile.kept_by).load_only(User.name))
    .order_by(JobFile.id.desc())
)


def get_file(session: Session, job_number: int, file_id: int) -> JobFile:
    """One file of a job; NotFound when the job has no such file."""
    file = session.scalar(
        sa.select(JobFile).join(Job, Job.id == JobFile.job_id).where(JobFile.id == file_id, Job.number == job_number)
    )
    if file is None:
        raise NotFound("file with this job")
    return file


def read_content(folder: Path, file: JobFile) -> bytes:
    """A file's content, held against the hash on record; LedgerError when it is gone or was changed."""
    try:
        content = (folder / file.stored_name).read_bytes()
    except OSError as error:
        raise LedgerError(
            "file",
            f"{file.name} is on record, but is not in the files folder. Put the folder back from a backup.",
        ) from error
    if hashlib.sha256(content).digest() != file.sha256:
        raise LedgerError("file", f"{file.name} is not as it was sent; take it from a backup.")
    return content


_SIDE = 320  # pixels: sharp at half of that on a dense screen
_one_at_a_time = threading.Lock()  # a page asks for all of a job's at once, and each takes memory while it is open


def small_picture(file: JobFile, content: bytes) -> bytes:
    """A JPEG of at most 320 pixels a side, upright, with nothing of what the camera wrote beside it.

    Raises NotFound for a file that is no picture, LedgerError on `file` for one that cannot be drawn.
    """
    if not file.kind.is_image:
        raise NotFound("picture")
    out = io.BytesIO()
    try:
        with _one_at_a_time, warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(content), formats=("JPEG", "PNG", "WEBP")) as picture:
                if has_too_many_pixels(picture):
                    raise Image.DecompressionBombError
                picture.draft("RGB", (2 * _SIDE, 2 * _SIDE))  # a large JPEG is not unpacked whole
                picture.thumbnail((_SIDE, _SIDE))
                _on_white(ImageOps.exif_transpose(picture)).save(out, "JPEG", quality=80)
    except Exception as error:  # a damaged picture raises what it likes, by kind and by fault
        raise LedgerError("file", f"{file.name} cannot be drawn small; open it as it is.") from error
    return out.getvalue()


def _on_white(picture: Image.Image) -> Image.Image:
    if picture.mode == "RGB":
        return picture
    seen = picture.convert("RGBA")
    ground = Image.new("RGBA", seen.size, "white")
    ground.alpha_composite(seen)
    return ground.convert("RGB")
