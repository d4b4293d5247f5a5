"""Refusals of use cases find their fields."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from flask import Flask
from markupsafe import Markup
from wtforms import BooleanField, FieldList, Form, FormField, IntegerField, RadioField, StringField
from wtforms.widgets import html_params

from app.errors import BitternError, Problem, Problems
from app.ledger.store.errors import LedgerBusy, NotFound, Stale
from app.ledger.tables import Customer
from app.pricing import PriceKind
from app.web.fields import WholeField
from app.web.forms_base import BlankForm, PageForm, SavedForm, area, attach, attributes, fields_of, text
from app.web.jobs.page import FileForm, MoveForm, NoteForm


class Line(Form):
    quantity = IntegerField("Quantity")


class Quote(SavedForm):
    name = text("Name", 5, needed="Enter a name.")
    lines = FieldList(FormField(Line), min_entries=2)
    notes = FieldList(StringField("Note"), min_entries=1)


@pytest.fixture
def form(web: Flask) -> Iterator[Quote]:
    with web.test_request_context("/"):
        yield Quote()


def test_a_refusal_goes_beside_its_field(form: Quote) -> None:
    attach(form, BitternError("name", "Too long."))
    assert form.name.errors == ["Too long."]


@pytest.mark.parametrize("path", ["lines.1.quantity", "lines[1].quantity"])
def test_a_path_reaches_into_lists(form: Quote, path: str) -> None:
    attach(form, BitternError(path, "Enter 1 or more."))
    assert form.lines[1].form.quantity.errors == ["Enter 1 or more."]
    assert not form.lines[0].form.quantity.errors


@pytest.mark.parametrize("path", ["", "elsewhere", "lines.9.quantity", "lines.x", "name.more", "version", "."])
def test_what_fits_no_field_stands_at_the_head(form: Quote, path: str) -> None:
    attach(form, BitternError(path, "Not this."))
    assert form.form_errors == ["Not this."]


def test_all_problems_are_kept(form: Quote) -> None:
    attach(form, Problems([Problem("name", "One."), Problem("name", "Two."), Problem("", "Three.")]))
    assert (form.name.errors, form.form_errors) == (["One.", "Two."], ["Three."])


@pytest.mark.parametrize("error", [Stale(), LedgerBusy(), NotFound("job")])
def test_what_no_field_can_mend_is_raised_again(form: Quote, error: BitternError) -> None:
    with pytest.raises(type(error)):
        attach(form, error)


@pytest.mark.parametrize(
    ("typed", "kept", "error"),
    [
        ("  a   b ", "a b", ""),
        ("", "", "Enter a name."),
        ("   ", "", "Enter a name."),
        ("toolong", "toolong", "At most 5"),
    ],
)
def test_a_line_of_text_is_cleaned_and_measured(web: Flask, typed: str, kept: str, error: str) -> None:
    class Named(PageForm):
        name = text("Name", 5, needed="Enter a name.")

    with web.test_request_context("/", method="POST", data={"name": typed}):
        form = Named(meta={"csrf": False})
        assert form.validate() is (not error)
        assert form.name.data == kept
        assert error in " ".join(form.name.errors)


@dataclass(frozen=True)
class Said:
    kind: PriceKind
    name: str
    note: str
    count: int | None
    is_meant: bool
    job: int = 0


def test_a_form_goes_into_the_dataclass_of_its_names(web: Flask) -> None:
    class Sent(PageForm):
        kind = RadioField("Kind", choices=["goods", "labour"])
        name = text("Name", Customer.name)
        note = area("Note", Customer.notes)
        count = WholeField("Count")
        is_meant = BooleanField("Meant")
        beside = text("Of no concern", 40)

    with web.test_request_context(
        "/", method="POST", data={"kind": "labour", "note": " two\nlines ", "is_meant": "y"}
    ):
        form = Sent(meta={"csrf": False})
        said = form.into(Said, job=7)
    assert [check.max for check in form.name.validators] == [120]
    assert said == Said(PriceKind.LABOR, "", "two\nlines", None, True, 7)


@pytest.mark.parametrize(
    "given",
    [
        {},
        {"class_": "wide", "for_": "a", "id": "b"},
        {"required": True, "disabled": False, "value": None, "maxlength": 80},
        {"aria_described_by": "x", "data_say_it": "y", "hx_get": "/z"},
        {"value": '"Fig" & <Quay>\'s'},
        {"value": Markup('<b title="of two">'), "x": 'a"b'},
        {'on"x': "1", "<": True},
    ],
)
def test_they_read_as_the_librarys(given: dict[str, Any]) -> None:
    assert attributes(**given) == html_params(**given)
    assert isinstance(attributes(**given), Markup)


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
