"""Refusals of use cases find their fields."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from flask import Flask
from wtforms import FieldList, Form, FormField, IntegerField, StringField

from app.errors import BitternError, Problem, Problems
from app.ledger.store.errors import LedgerBusy, NotFound, Stale
from app.web.forms_base import PageForm, SavedForm, attach, text


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
