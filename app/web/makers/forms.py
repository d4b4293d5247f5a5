"""The owner's forms about makers."""

from __future__ import annotations

from app.web.forms_base import PageForm, SavedForm, text


class MakerPage(PageForm):
    """A maker by name."""

    name = text("Name", 60, needed="Enter the maker's name.")
    code = text("Code", 12, hint="Short, as commands and files name it.", needed="Enter a short code.")


class TableForm(SavedForm):
    """A table of a maker; its cells are read by name."""
