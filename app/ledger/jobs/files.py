"""Use case: keep a file with a job."""

from __future__ import annotations

import hashlib
import os
import secrets
from contextlib import suppress
from pathlib import Path

from app.ledger.jobs.file_kinds import find_kind, plain_name
from app.ledger.jobs.queries import get_job
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.trouble import reason_of
from app.ledger.store.work import Work
from app.ledger.tables import JobFile, Role

MOST_WORDS = 200
MOST_FILES = 200  # a job with more is a mistake, or a machine at work


def keep_file(work: Work, folder: Path, job_number: int, sent_name: str, content: bytes, about: str = "") -> JobFile:
    """Keep a file with a job, under a name of chance in `folder`; an event of the job says who sent what.

    about: what it shows, in words. Raises NotFound, and LedgerError on `file` or `about`; then nothing is kept.
    """
    work.require(Role.COUNTER, Role.BENCH)
    about = " ".join(about.split())
    if len(about) > MOST_WORDS:
        raise LedgerError("about", f"At most {MOST_WORDS} characters fit here.")
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
