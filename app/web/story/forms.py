"""The two forms under a job's story: a note, and a file with what it shows."""

from __future__ import annotations

from flask_wtf.file import FileField, FileRequired
from wtforms import TextAreaField
from wtforms.validators import Length

from app.ledger.jobs.file_kinds import KINDS_IN_WORDS, MOST_BYTES
from app.ledger.jobs.notes import MOST_NOTE
from app.web.forms_base import PageForm, text

_READ_BY_ALL = "Everybody who opens the job reads it: no bitting, no card number."


class NoteForm(PageForm):
    """A note; it stays as it was written."""

    note = TextAreaField(
        "Note",
        [Length(max=MOST_NOTE, message=f"At most {MOST_NOTE:,} characters fit in a note.")],
        description=_READ_BY_ALL,
    )


class FileForm(PageForm):
    """A file to keep with the job."""

    file = FileField(
        "File",
        [FileRequired("Choose a file first.")],
        description=f"{KINDS_IN_WORDS}, at most {MOST_BYTES // (1024 * 1024)} MB. No bitting in it.",
        render_kw={"accept": ".pdf,.jpg,.jpeg,.png,.webp,.txt,.csv,.xlsx"},
    )
    about = text("What it shows", 200, hint="“Old cylinder of N101”, “signed authority”.")
