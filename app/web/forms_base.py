"""What every form shares: clean text, the version that was read, and refusals put beside their fields."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from flask_wtf import FlaskForm
from flask_wtf.file import FileField
from markupsafe import Markup
from wtforms import Field, FieldList, Form, FormField, HiddenField, StringField
from wtforms.validators import DataRequired, Length

from app.errors import BitternError
from app.ledger.store.errors import LedgerBusy, LedgerStopped, NotAllowed, NotFound, Stale, VaultError
from app.validation import length_limit
from app.web.attributes import attributes


def one_line(value: str | None) -> str:
    """Typed text with single spaces inside and none around; what was not sent is empty."""
    return " ".join((value or "").split())


def text(label: str, most: int, *, hint: str = "", needed: str = "", **options: Any) -> StringField:
    """A one-line text field of at most `most` characters. `needed`: the sentence shown when it is left empty."""
    checks: list[Any] = [Length(max=most, message=length_limit(most))]
    if needed:
        checks.insert(0, DataRequired(needed))
    return StringField(label, checks, filters=[one_line], description=hint, **options)


def typed(field: Field) -> str:
    """What was typed into a text or password field; "" when it was not sent at all."""
    return str(field.data or "")


class PageForm(FlaskForm):  # type: ignore[misc]  # the library has no types
    """A form with its CSRF token. A field's `description` is its hint."""

    is_blank = False  # a BlankForm is

    class Meta:
        """How its fields are written."""

        def render_field(self, field: Field, render_kw: dict[str, Any]) -> Markup:
            """The field by its own widget, whose attributes are the house's: most of a field's cost is in them."""
            if hasattr(field.widget, "html_params"):
                field.widget.html_params = attributes
            return super().render_field(field, render_kw)  # type: ignore[no-any-return, misc]  # the library's Meta


class FilePage(PageForm):
    """A file that is shown before it is saved."""

    file = FileField("File")


class SavedForm(PageForm):
    """A form that edits a record read at `version`; the use case raises Stale when somebody saved in between."""

    version = HiddenField()

    @property
    def version_read(self) -> int:
        """The version this form was filled from; 0, which no record has, when it came back as nonsense."""
        sent = str(self.version.data or "")
        return int(sent) if sent.isdecimal() and sent.isascii() and len(sent) < 10 else 0


def attach(form: Form, error: BitternError) -> None:
    """Put a use case's refusal beside the field it names, or at the head of the form where there is none.

    A path such as `lines.2.quantity` finds the field inside lists and nested forms. What no field can mend
    (a stale save, a busy ledger, a missing record, a role) is raised again, for the page of its own.
    """
    if isinstance(error, (Stale, LedgerBusy, LedgerStopped, NotAllowed, NotFound, VaultError)):
        raise error
    for problem in error.problems:
        field = _find(form, problem.field.replace("[", ".").replace("]", "").split("."))
        if field is None or isinstance(field, HiddenField):
            form.form_errors.append(problem.message)
        else:
            field.errors = [*field.errors, problem.message]


def _find(form: Form, path: Sequence[str]) -> Field | None:
    inside: Any = form
    for step in path:
        if isinstance(inside, FormField):
            inside = inside.form
        if isinstance(inside, FieldList):
            inside = inside[int(step)] if step.isdecimal() and int(step) < len(inside) else None
        elif isinstance(inside, Form):
            inside = inside._fields.get(step)
        else:
            return None
        if inside is None:
            return None
    return inside if isinstance(inside, Field) else None
