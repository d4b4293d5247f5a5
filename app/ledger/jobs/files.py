"""Files of a job: told by their content alone, saved under a name of chance, asked for, and drawn small."""

import hashlib
import io
import secrets
import unicodedata
import zipfile
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.ledger.jobs.queries import get_job
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.events import record
from app.ledger.store.kept_files import plain_name, write_kept
from app.ledger.store.pictures import draw_small, is_picture, picture_kind
from app.ledger.store.work import Work
from app.ledger.tables import FileKind, Job, JobFile, Role, User, longest
from app.validation import fault_of_length

MOST_BYTES = 15 * 1024 * 1024
MOST_FILES = 200  # a job with more is a mistake, or a machine at work
KINDS_IN_WORDS = "PDF, JPEG, PNG, WebP, TXT, CSV or XLSX"


def keep_file(work: Work, folder: Path, job_number: int, sent_name: str, content: bytes, about: str = "") -> JobFile:
    """Keep a file with a job, under a name of chance in `folder`; an event of the job says who sent what.

    about: what it shows, in words. Raises NotFound, and LedgerError on `file` or `about`; then nothing is kept.
    """
    work.require(Role.COUNTER, Role.BENCH)
    about = " ".join(about.split())
    if fault := fault_of_length(about, longest(JobFile.about)):
        raise LedgerError("about", fault)
    kind = find_kind(sent_name, content)
    file = JobFile(
        stored_name=secrets.token_hex(16),
        name=plain_name(sent_name, kind),
        kind=kind,
        size=len(content),
        sha256=hashlib.sha256(content).digest(),
        about=about,
        kept_at=work.now,
        kept_by_id=work.actor.user_id,
    )
    path = folder / file.stored_name
    try:
        with transaction(work.session):
            job = get_job(work.session, job_number)
            _require_room(work.session, job.id, file.sha256)
            file.job_id = job.id
            work.session.add(file)
            # Before the row is saved: a backup copies the database first, so no row of it misses its file.
            write_kept(path, content)
            work.session.flush()
            said = f"File {file.name} kept" + (f": {about}" if about else "")
            record(work, "file kept", f"job {job.number}", said, job_id=job.id, file=file.id, bytes=file.size)
            return file
    except BaseException:
        with suppress(OSError):
            path.unlink()
        raise


def _require_room(session: Session, job_id: int, digest: bytes) -> None:
    there = session.query(JobFile.name, JobFile.sha256).filter(JobFile.job_id == job_id).all()
    same = next((name for name, other in there if other == digest), None)
    if same is not None:
        raise LedgerError("file", f"This file is with the job already, as {same}.")
    if len(there) >= MOST_FILES:
        raise LedgerError("file", f"A job keeps at most {MOST_FILES} files.")


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


def find_kind(name: str, content: bytes) -> FileKind:
    """The kind of a file; its name decides between plain text and a table of text, and nothing else.

    Raises LedgerError on `file` with what to do when it is empty, too large, damaged, or of another kind.
    """
    if not content:
        raise LedgerError("file", "This file is empty. Choose another.")
    if len(content) > MOST_BYTES:
        raise LedgerError(
            "file",
            f"This file has {_megabytes(len(content))}; at most {_megabytes(MOST_BYTES)} are kept. Take the photo "
            "smaller, or send fewer pages.",
        )
    if content.startswith(b"%PDF-"):
        if b"%%EOF" not in content[-2048:]:
            raise LedgerError("file", "This PDF ends before its end: it was cut short on its way. Send it again.")
        return FileKind.PDF
    if content.startswith(b"PK\x03\x04"):
        return _spreadsheet(content)
    if is_picture(content):
        return picture_kind(content)
    if _is_text(content) and name.lower().endswith((".txt", ".csv")):
        return FileKind.CSV if name.lower().endswith(".csv") else FileKind.TXT
    raise LedgerError("file", f"This is none of the accepted kinds: {KINDS_IN_WORDS}. Save it as one of them.")


def _megabytes(count: int) -> str:
    return f"{-(-count // (1024 * 1024))} MB"


def _spreadsheet(content: bytes) -> FileKind:
    """XLSX by what its archive lists; nothing in it is unpacked."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            names = set(archive.namelist())
    except (zipfile.BadZipFile, ValueError, NotImplementedError) as error:
        raise LedgerError("file", "This spreadsheet is damaged. Save it anew and send it again.") from error
    if not {"[Content_Types].xml", "xl/workbook.xml"} <= names:
        raise LedgerError("file", f"This is an archive, not a spreadsheet. Accepted are {KINDS_IN_WORDS}.")
    if any(name.lower().endswith(".bin") and "vba" in name.lower() for name in names):
        raise LedgerError("file", "This spreadsheet carries macros. Save it as XLSX without macros and send that.")
    return FileKind.XLSX


def _is_text(content: bytes) -> bool:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return False
    return not any(unicodedata.category(one) == "Cc" and one not in "\t\n\r\f" for one in text)


def small_picture(file: JobFile, content: bytes) -> bytes:
    """A file's picture, small; NotFound for a file that is no picture, LedgerError for one that cannot be drawn."""
    if not file.kind.is_image:
        raise NotFound("picture")
    return draw_small(content, file.name)
