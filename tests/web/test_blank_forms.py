"""A form drawn blank stands for the form itself: what it sends back, and how its fields read."""

from __future__ import annotations

import re

import pytest
from flask import Flask
from markupsafe import Markup

from app.web.forms_base import BlankForm, PageForm, fields_of
from app.web.jobs.forms import FileForm, MoveForm, NoteForm

DRAWN = (
    (MoveForm, 3, "jobs/_reason.html"),
    (MoveForm, 3, "jobs/_override.html"),
    (NoteForm, None, "jobs/_note.html"),
    (FileForm, None, "jobs/_file.html"),
)


def hidden(tag: Markup) -> dict[str, str]:
    """Name → value of the hidden inputs."""
    inputs = re.findall(r"<input [^>]*>", tag)
    pairs = (re.search(r'name="(\w+)".* value="([^"]*)"', one) for one in inputs if 'type="hidden"' in one)
    return {pair[1]: pair[2] for pair in pairs if pair}


@pytest.mark.parametrize(("kind", "version", "template"), DRAWN)
def test_a_blank_form_sends_and_shows_what_the_form_itself_would(
    web: Flask, kind: type[PageForm], version: int | None, template: str
) -> None:
    with web.test_request_context():
        form, blank = kind(formdata=None, data={"version": version}), BlankForm(kind, version)
        assert hidden(blank.hidden_tag()) == hidden(form.hidden_tag())
        assert hidden(blank.hidden_tag()).keys() == {"csrf_token"} | ({"version"} if version else set())
        assert fields_of(blank, template) == fields_of(form, template)
        assert "<input" in fields_of(blank, template) or "<textarea" in fields_of(blank, template)


def test_a_blank_form_is_told_from_one_that_was_typed_into(web: Flask) -> None:
    with web.test_request_context():
        assert BlankForm(MoveForm, 3).is_blank
        assert not MoveForm(formdata=None).is_blank
