"""The job folder: every paper that the person may see, and the job's files, in one archive with an index."""

from __future__ import annotations

__all__ = ["job_folder"]

import io
import zipfile
from dataclasses import dataclass
from pathlib import Path

from flask import render_template

from app.errors import BitternError
from app.ledger.errors import LedgerBusy, NotAllowed
from app.ledger.events.models import Event
from app.ledger.events.queries import events_of_job
from app.ledger.files.queries import files_of_job, read_content
from app.web.papers.catalogue import papers_of
from app.web.papers.source import JobSource

_MOST_STORY = 2_000


@dataclass(frozen=True, slots=True)
class FolderLine:
    """One file of the folder in its index; `missing`: why it is not there."""

    name: str
    words: str
    number: str
    size: int
    is_secret: bool
    missing: str = ""


def job_folder(source: JobSource, files_folder: Path) -> bytes:
    """The archive. A paper that is refused (a finding of the audit) stands in the index with the reason.

    What opens bittings puts that on record, as on its own page.
    """
    made = io.BytesIO()
    lines: list[FolderLine] = []
    moment = source.work.now.astimezone().timetuple()[:6]

    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:

        def put(name: str, content: bytes) -> None:
            entry = zipfile.ZipInfo(name, moment)
            entry.external_attr = 0o600 << 16
            archive.writestr(entry, content, zipfile.ZIP_DEFLATED)

        for paper in papers_of(source):
            for file in paper.files:
                try:
                    content = file.make()
                except (NotAllowed, LedgerBusy):
                    raise
                except BitternError as error:
                    lines.append(FolderLine(file.name, paper.words, paper.number, 0, paper.is_secret, error.message))
                    continue
                put(f"papers/{file.name}", content)
                lines.append(
                    FolderLine(f"papers/{file.name}", paper.words, paper.number, len(content), paper.is_secret)
                )
        for kept in files_of_job(source.work.session, source.job.id):
            name = f"files/{kept.id}-{kept.name}"
            try:
                content = read_content(files_folder, kept)
            except BitternError as error:
                lines.append(FolderLine(name, kept.about or "File", "", 0, False, error.message))
                continue
            put(name, content)
            lines.append(FolderLine(name, kept.about or "File", "", len(content), False))
        put("index.html", _index(source, lines).encode())
    return made.getvalue()


def _index(source: JobSource, lines: list[FolderLine]) -> str:
    work, job = source.work, source.job
    story: tuple[Event, ...] = tuple(events_of_job(work.session, job.id, work.actor.role, _MOST_STORY))
    return render_template(
        "papers/index.html",
        job=job,
        lines=lines,
        story=story,
        made_by=work.actor.name,
        made_at=work.now,
        has_secrets=any(line.is_secret and not line.missing for line in lines),
    )
