"""Accepting a quote: who, when, and the doors, pasted or typed in a table."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from wtforms import DateField, Field, RadioField, TextAreaField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs
from wtforms.validators import InputRequired, ValidationError

from app.errors import Problem
from app.ledger.sites.door_paste import DoorRow, read_door_rows
from app.web.forms_base import SavedForm, text

MOST_ROWS = 30
"""Up to this many cylinders get a row of boxes each; longer lists are pasted."""

_COLUMNS = ("opening", "location", "hand", "lock", "position", "keyset", "remarks", "egress", "fire rated")
_BOX = re.compile(r"row-([0-9]{1,2})-([a-z_]{1,12})")
_ROW = re.compile(r"Row ([0-9]+)(?:, ([a-z ]+))?:\s*(.*)", re.DOTALL)


class AcceptQuoteForm(SavedForm):
    """Who accepted the quote and when; `doors` is a list as a spreadsheet pastes it."""

    accepted_by = text("Accepted by", 120, needed="Enter the name of the person who accepted the quote.")
    accepted_on = DateField(
        "On", [InputRequired("Enter the day on which it was accepted.")], description="As they told you."
    )
    po_number = text("Their order number", 60, hint="If they gave one.")
    option = RadioField("Option", [InputRequired("Say which of the two ways was accepted.")], choices=[])
    site_name = text("Site", 120, hint="Doors belong to a site: one of the customer's, or a new one.")
    override_reason = text(
        "Go on without written authority because", 500, hint="For the owner of this house alone; it stays on record."
    )
    lost_reason = text(
        "Key under a lost key because", 500, hint="For the owner of this house alone; it stays on record."
    )
    doors = TextAreaField("Door list")

    def offer(self, options: Sequence[tuple[str, str]]) -> None:
        """The ways that the quote offers, as (A or B, what it is); a quote of one way asks nothing."""
        if options:
            self.option.choices = [SelectChoice(name, words) for name, words in options]
        else:
            del self.option

    def validate_accepted_by(self, field: Field) -> None:
        """No character that no paper can show."""
        _check_writable(field)

    validate_po_number = validate_accepted_by
    validate_site_name = validate_accepted_by


def _check_writable(field: Field) -> None:
    if not str(field.data or "").isprintable():
        raise ValidationError("This holds a character that cannot be written: type it anew.")


@dataclass(frozen=True, slots=True)
class CellProblems:
    """What is wrong in a table of boxes: by (row from 1, column), and what belongs to no box."""

    cells: Mapping[tuple[int, str], str]
    others: tuple[str, ...]


def typed_rows(items: Iterable[tuple[str, str]]) -> dict[int, dict[str, str]]:
    """What stands in the table's boxes by row (from 1) and column; rows with nothing in them are left out.

    >>> typed_rows([("row-2-opening", " 101 "), ("row-2-hand", ""), ("row-3-opening", "")])
    {2: {'opening': '101'}}
    """
    rows: dict[int, dict[str, str]] = {}
    for name, value in items:
        found = _BOX.fullmatch(name)
        column = found[2].replace("_", " ") if found else ""
        said = " ".join(value.replace("\0", "").split())
        if found and column in _COLUMNS and said and 1 <= int(found[1]) <= MOST_ROWS:
            rows.setdefault(int(found[1]), {}).setdefault(column, said)
    return dict(sorted(rows.items()))


def read_table(rows: Mapping[int, Mapping[str, str]]) -> tuple[tuple[DoorRow, ...], list[Problem]]:
    """The door rows that the boxes say, an empty one for each row left empty between them, and the problems.

    They are read as a pasted list is, so that both obey the same rules.
    """
    cells = ((number, [row.get(column, "") for column in _COLUMNS]) for number, row in rows.items())
    found, problems = read_door_rows([(0, _COLUMNS), *cells])
    by_row = {row.row: row for row in found}
    doors = tuple(by_row.get(number, DoorRow(row=number)) for number in range(1, max(rows, default=0) + 1))
    return doors, problems


def cell_problems(problems: Iterable[Problem]) -> CellProblems:
    """The problems of a table, each beside its box where its sentence names one."""
    cells: dict[tuple[int, str], str] = {}
    others: list[str] = []
    for problem in problems:
        found = _ROW.fullmatch(problem.message)
        if found and found[2] in _COLUMNS and (int(found[1]), found[2]) not in cells:
            cells[int(found[1]), found[2]] = found[3][:1].upper() + found[3][1:]
        else:
            others.append(problem.message)
    return CellProblems(cells, tuple(others))
