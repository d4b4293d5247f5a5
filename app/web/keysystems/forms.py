"""Forms of the key system pages."""

from __future__ import annotations

from wtforms import SelectField, TextAreaField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs
from wtforms.validators import Length

from app.ledger.tables import Keyset, KeySystem
from app.validation import length_limit
from app.web.forms_base import PageForm, SavedForm, text


class RecordsForm(SavedForm):
    """Who owns the system and what authority is on file."""

    owner_of_record = text(
        "Owner of record", 200, hint="Who may ask for keys and changes. Empty: nobody has said who that is."
    )
    authority_note = TextAreaField(
        "Written authority",
        [Length(max=2000, message=length_limit(2000))],
        filters=[lambda typed: (typed or "").replace("\r\n", "\n").strip()],
        description="Which letter, of which day, signed by whom, kept where.",
    )

    @property
    def said(self) -> tuple[str, str]:
        """Owner of record and note, as the use case takes them."""
        return self.owner_of_record.data or "", self.authority_note.data or ""


class RevealForm(PageForm):
    """Which keyset's bitting is to be shown."""

    keyset = SelectField("Keyset", coerce=int, validate_choice=False)

    @classmethod
    def of(cls, system: KeySystem) -> RevealForm:
        """The form with the system's keysets to choose from."""
        form = cls()
        form.keyset.choices = [
            SelectChoice(str(one.id), f"{one.symbol}, {one.level.value}") for one in system.keysets
        ]
        return form

    def chosen(self, system: KeySystem) -> Keyset | None:
        """The keyset chosen, if it is one of the system's."""
        return next((one for one in system.keysets if one.id == self.keyset.data), None)
