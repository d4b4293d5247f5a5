"""The bench's one form: which cylinders or keys are ticked off, and as what."""

from __future__ import annotations

from wtforms import SelectMultipleField, StringField
from wtforms.validators import AnyOf
from wtforms.widgets import CheckboxInput, ListWidget

from app.web.forms_base import PageForm

PINNED, CHECKED, UNTICKED = "pinned", "checked", "unticked"
CUT, UNCUT = "cut", "uncut"
HOW = (PINNED, CHECKED, UNTICKED, CUT, UNCUT)


class TickForm(PageForm):
    """Cylinders by id as pinned, checked or not ticked any more; keys by the id of their keyset as cut or not."""

    cylinders = SelectMultipleField(
        "Cylinders", coerce=int, validate_choice=False, widget=ListWidget(), option_widget=CheckboxInput()
    )
    keys = SelectMultipleField(
        "Keys", coerce=int, validate_choice=False, widget=ListWidget(), option_widget=CheckboxInput()
    )
    as_ = StringField("As", [AnyOf(HOW, message="Press one of the buttons.")], name="as")
