"""The bench's one form: which cylinders are ticked off, and as what."""

from __future__ import annotations

__all__ = ["TickForm"]

from wtforms import SelectMultipleField, StringField
from wtforms.validators import AnyOf
from wtforms.widgets import CheckboxInput, ListWidget

from app.web.forms_base import PageForm

PINNED, CHECKED, UNTICKED = "pinned", "checked", "unticked"


class TickForm(PageForm):
    """Cylinders by id; `as_` is pinned, checked, or not ticked any more."""

    cylinders = SelectMultipleField(
        "Cylinders", coerce=int, validate_choice=False, widget=ListWidget(), option_widget=CheckboxInput()
    )
    as_ = StringField("As", [AnyOf([PINNED, CHECKED, UNTICKED], message="Press one of the buttons.")], name="as")
