"""Forms that nobody has typed into yet: their fields read the same on every page, so they are written once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import ClassVar

from flask import current_app, render_template
from flask_wtf.csrf import generate_csrf
from markupsafe import Markup

from app.web.forms_base import PageForm

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
