"""Forms of the ledger page and the job page."""

from __future__ import annotations

from collections.abc import Mapping

from wtforms import StringField
from wtforms.validators import AnyOf

from app.ledger.jobs.queries import LedgerQuestion
from app.ledger.tables import Stage
from app.web.forms_base import SavedForm, text
from app.web.listing import read_text

_STAGES = {stage.value: stage for stage in Stage}


class MoveForm(SavedForm):
    """One press of a stage's button; lost and cancelled want a reason, handed over who takes the goods.

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
