"""What forms of the keying pages share: inches, lists to choose from, uploads, and refusals beside their fields."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from flask_wtf.file import FileField
from wtforms import Form, SelectField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs

from app.errors import BitternError, Problem
from app.keying import read_inches, write_inches
from app.web.fields import TextField
from app.web.forms_base import attach

MOST_SHOWN = 60


class InchField(TextField):
    """Exact inches, held as Fraction."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        options.setdefault("render_kw", {"inputmode": "decimal", "class": "amount"})
        super().__init__(*arguments, **options)

    def read(self, text: str) -> Fraction:
        found = read_inches(text, self.short_name)
        if not 0 < found <= 10:
            raise ValueError("Enter inches above 0 and at most 10, such as 0.0125 or 1/64.")
        return found

    def show(self, value: Fraction) -> str:
        return write_inches(value)


def offer(field: SelectField, rows: Sequence[tuple[str, str]]) -> None:
    """Fill a field's list with (value, words)."""
    field.choices = [SelectChoice(value, words) for value, words in rows]


def read_upload(field: FileField) -> tuple[str, bytes]:
    """Name and content of the file in a field that has one."""
    storage = field.data
    try:
        return str(storage.filename or ""), bytes(storage.read())
    finally:
        storage.close()


def attach_plain(form: Form, error: BitternError, names: Mapping[str, str] | None = None) -> None:
    """As `attach`; `spec.macs` finds the field `macs`, and `names` says which field takes another's refusal."""
    renamed = []
    for problem in error.problems:
        plain = problem.field.removeprefix("spec.")
        renamed.append(Problem((names or {}).get(plain, plain), problem.message))
    error.problems = tuple(renamed)
    attach(form, error)


def file_problems(error: BitternError) -> Sequence[Problem]:
    """What is wrong with a file, to list beside its upload field; the first rows of very many."""
    found = error.problems
    if len(found) <= MOST_SHOWN:
        return found
    return (*found[:MOST_SHOWN], Problem("file", f"… and {len(found) - MOST_SHOWN:,} more. Mend these first."))
