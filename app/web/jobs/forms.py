"""Forms of the job pages."""

from __future__ import annotations

from collections.abc import Mapping

from flask_wtf.file import FileField, FileRequired
from wtforms import StringField, TextAreaField
from wtforms.validators import AnyOf, Length

from app.ledger.jobs.files import KINDS_IN_WORDS, MOST_BYTES
from app.ledger.jobs.notes import MOST_NOTE
from app.ledger.jobs.queries import LedgerQuestion
from app.ledger.tables import Stage
from app.web.forms_base import PageForm, SavedForm, text
from app.web.query_args import read_text

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


_STAGES = {stage.value: stage for stage in Stage}


class MoveForm(SavedForm):
    """One press of a stage's button; lost and canceled want a reason, handed over who takes the goods.

    known: the mark of what the page said is still open.
    """

    to = StringField("Stage", [AnyOf(list(_STAGES), message="Press one of the stages shown.")])
    reason = text("Reason", 500, hint="Why; it stays on record.")
    taken_by = text("Who takes it", 120, hint="A person's name; it stands on the key receipt.")
    known = text("Handed over all the same", 60)
    override_reason = text("Go on without written authority because", 500, hint="It stays on record.")

    @property
    def stage(self) -> Stage:
        """The stage pressed, once the form is valid."""
        return _STAGES[str(self.to.data)]


def read_question(arguments: Mapping[str, str]) -> LedgerQuestion:
    """What the address asks the ledger for; what it does not know is left out."""
    return LedgerQuestion(
        text=read_text(arguments),
        stage=_STAGES.get(arguments.get("stage", "")),
        is_late=arguments.get("late") == "yes",
        with_over=arguments.get("over") == "yes",
    )
