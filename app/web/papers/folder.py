"""The job folder: every paper that the person may see, and the job's files, in one archive with an index."""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import IO

from flask import render_template

from app.documents import printing
from app.errors import BitternError
from app.ledger.jobs.files import files_of_job, read_content
from app.ledger.store.errors import LedgerBusy, NotAllowed
from app.ledger.store.event_queries import OVERRIDES, events_of_job
from app.ledger.tables import Role
from app.web.papers.catalogue import papers_of
from app.web.papers.source import JobSource

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
        yield line, partial(read_content, files_folder, kept)


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
