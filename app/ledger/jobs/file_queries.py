"""Questions about files: a job's, one of them, and its content."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.tables import Job, JobFile, User


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
