"""What every form shares: clean text, the version that was read, and refusals put beside their fields."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import EnumType
from types import MappingProxyType
from typing import Any, ClassVar, Generic, TypeVar, get_type_hints

from flask import current_app, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_wtf import FlaskForm
from flask_wtf.csrf import generate_csrf
from flask_wtf.file import FileField
from markupsafe import Markup, escape
from wtforms import Field, FieldList, Form, FormField, HiddenField, StringField, TextAreaField
from wtforms.validators import DataRequired, Length

from app.errors import BitternError, Problem, Problems
from app.ledger.store.errors import LedgerBusy, LedgerStopped, NotAllowed, NotFound, Stale, VaultError
from app.ledger.tables import longest
from app.validation import length_limit

Outcome = TypeVar("Outcome")
Value = TypeVar("Value")


def one_line(value: str | None) -> str:
    """Typed text with single spaces inside and none around; what was not sent is empty."""
    return " ".join((value or "").split())


def record_id(sent: str | None) -> int:
    """The number of a record, or a version, as an address or a hidden field holds it; 0, which none has, else.

    >>> record_id("12"), record_id("-1"), record_id("٣"), record_id("9" * 30), record_id(None)
    (12, 0, 0, 0, 0)
    """
    return int(sent) if sent and sent.isascii() and sent.isdecimal() and len(sent) < 10 else 0


def text(label: str, most: Any, *, hint: str = "", needed: str = "", **options: Any) -> StringField:
    """A one-line text field of at most `most` characters, or as many as the column takes that is given for it.

    `needed`: the sentence shown when it is left empty.
    """
    checks = [DataRequired(needed)] if needed else []
    return StringField(label, [*checks, _at_most(most)], filters=[one_line], description=hint, **options)


def area(label: str, most: Any, *, hint: str = "", rows: int = 3) -> TextAreaField:
    """The same of several lines, without blanks around them."""
    return TextAreaField(label, [_at_most(most)], filters=[_trimmed], description=hint, render_kw={"rows": rows})


def _at_most(most: Any) -> Length:
    count = most if isinstance(most, int) else longest(most)
    return Length(max=count, message=length_limit(count))


def _trimmed(value: str | None) -> str:
    return (value or "").replace("\r\n", "\n").strip()


def typed(field: Field) -> str:
    """What was typed into a text or password field; "" when it was not sent at all."""
    return str(field.data or "")


@dataclass(frozen=True, slots=True)
class Done(Generic[Outcome]):
    """That a use case ran, with what it gave back."""

    value: Outcome


class PageForm(FlaskForm):  # type: ignore[misc]  # the library has no types
    """A form with its CSRF token. A field's `description` is its hint."""

    is_blank = False  # a BlankForm is

    @property
    def status(self) -> int:
        """The page's answer while the form stands on it: 422 where it was sent and refused, else 200."""
        return 422 if self.is_submitted() else 200

    def run(self, use_case: Callable[[], Outcome]) -> Done[Outcome] | None:
        """Run a use case where the form was sent and is valid; None where it did not run, or refused.

        A refusal stands beside its field then; what no field can mend is raised, as `attach` says.
        """
        if not self.validate_on_submit():
            return None
        try:
            return Done(use_case())
        except BitternError as error:
            attach(self, error)
            return None

    def into(self, kind: Callable[..., Value], /, **others: Any) -> Value:
        """The dataclass `kind` with what stands in the boxes of its fields' names; `others` go before them.

        A text comes without blanks around it, and "" where its box was not sent; an enumeration's word as that.
        """
        typed_in = {name: _value(self[name], hint) for name, hint in get_type_hints(kind).items() if name in self}
        return kind(**typed_in | others)

    class Meta:
        """How its fields are written."""

        def render_field(self, field: Field, render_kw: dict[str, Any]) -> Markup:
            """The field by its own widget, whose attributes are the house's: most of a field's cost is in them."""
            if hasattr(field.widget, "html_params"):
                field.widget.html_params = attributes
            return super().render_field(field, render_kw)  # type: ignore[no-any-return, misc]  # the library's Meta


def _value(field: Field, hint: Any) -> Any:
    if isinstance(field.data, str):
        word = field.data.strip()
        return hint(word) if isinstance(hint, EnumType) else word
    return "" if field.data is None and hint is str else field.data


class FilePage(PageForm):
    """A file that is shown before it is saved; `problems`: what is wrong in it, place by place."""

    file = FileField("File")
    problems: Sequence[Problem] = ()

    def run(self, use_case: Callable[[], Outcome]) -> Done[Outcome] | None:
        """As any form's, with what is wrong in the file among its `problems`."""
        if not self.validate_on_submit():
            return None
        try:
            return Done(use_case())
        except Problems as refused:
            self.problems = refused.problems
        except BitternError as error:
            attach(self, error)
        return None


class SavedForm(PageForm):
    """A form that edits a record read at `version`; the use case raises Stale when somebody saved in between."""

    version = HiddenField()

    @property
    def version_read(self) -> int:
        """The version this form was filled from; 0, which no record has, when it came back as nonsense."""
        return record_id(str(self.version.data or ""))


Boxed = TypeVar("Boxed", bound=PageForm)


def with_boxes(base: type[Boxed], boxes: Mapping[str, Any]) -> type[Boxed]:
    """The form with further fields, by name, as for each line of a record."""
    return type(base.__name__, (base,), dict(boxes))


def flash_and_redirect(message: str, endpoint: str, **values: Any) -> ResponseReturnValue:
    """Go on to a page (303), which shows the message at its head."""
    flash(message)
    return redirect(url_for(endpoint, **values), 303)


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


def refusals(error: BitternError) -> dict[str, str]:
    """What was refused, by box, for a page that builds its boxes itself; what no box can mend is raised again."""
    attach(PageForm(formdata=None), error)
    return {one.field: one.message for one in error.problems}


def boxes_named(prefix: str) -> dict[str, str]:
    """What was typed in the boxes whose names begin so, by the rest of the name."""
    sent = request.form.items()
    return {name.removeprefix(prefix): one_line(text)[:120] for name, text in sent if name.startswith(prefix)}


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


def attributes(**given: Any) -> Markup:
    """`name="value"` by name, as WTForms' own `html_params` says it, at a quarter of its cost.

    A trailing underscore is dropped (class_), data_ and aria_ get their hyphens; True is the name alone, False
    is left out.

    >>> str(attributes(name="q", class_="wide", required=True, disabled=False, aria_label='"Fig" & Quay'))
    'aria-label="&#34;Fig&#34; &amp; Quay" class="wide" name="q" required'
    """
    said = []
    for name, value in sorted(given.items()):
        if value is False:
            continue
        name = name.rstrip("_")
        if name.startswith(("data_", "aria_")):
            name = name.replace("_", "-")
        if value is True:
            said.append(str(escape(name)))
            continue
        # What is marked as HTML already may still hold a quotation mark, which would end the attribute.
        text = str(escape(value)).replace('"', "&quot;")
        said.append(f'{escape(name)}="{text}"')
    return Markup(" ".join(said))  # noqa: S704 - each part of it is escaped above


_HIDDEN = Markup('<input name="{}" type="hidden" value="{}">')


@dataclass(frozen=True, slots=True)
class BlankForm:
    """Stands on a page for a form of this kind without defaults; for one that edits, with the version of its record.

    The form itself is made when it comes back filled in.
    """

    kind: type[PageForm]
    version: int | None = None
    errors: ClassVar[Mapping[str, Sequence[str]]] = MappingProxyType({})
    form_errors: ClassVar[Sequence[str]] = ()
    is_blank: ClassVar[bool] = True

    def hidden_tag(self) -> Markup:
        """The token of this browser's session, which is never the same, and the version read."""
        token = _HIDDEN.format("csrf_token", generate_csrf())
        return token if self.version is None else token + _HIDDEN.format("version", self.version)


def fields_of(form: PageForm | BlankForm, template: str) -> Markup:
    """What the template makes of `form`; that of a blank one is kept for as long as the application runs."""
    if not isinstance(form, BlankForm):
        return Markup(render_template(template, form=form))  # noqa: S704 - a template escapes what it shows
    kept: dict[tuple[type[PageForm], str], Markup] = current_app.extensions.setdefault("blank forms", {})
    key = form.kind, template
    if key not in kept:
        blank = form.kind(formdata=None, meta={"csrf": False})
        kept[key] = Markup(render_template(template, form=blank))  # noqa: S704 - as above
    return kept[key]
