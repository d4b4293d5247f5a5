"""What somebody says of a record, held against its table: texts that fit their columns, and what changes."""

from collections.abc import Mapping
from functools import cache
from typing import Any

import sqlalchemy as sa

from app.errors import Problem, Problems
from app.ledger.tables import Base, longest
from app.validation import fault_of_length


def text_problems(form: object, table: type[Base], **others: Any) -> list[Problem]:
    """A problem for each text of a form that is longer than the table's column of the same name takes.

    `others`: columns for fields that are named otherwise, or stand in another table.
    """
    columns = {**_columns(table), **others}
    texts = {name: text for name in columns if isinstance(text := getattr(form, name, None), str)}
    return [
        Problem(name, fault)
        for name, text in texts.items()
        if (most := longest(columns[name])) and (fault := fault_of_length(text, most))
    ]


@cache
def _columns(table: type[Base]) -> dict[str, Any]:
    return dict(sa.inspect(table).columns)


def check_texts(form: object, table: type[Base], **others: Any) -> None:
    """Raise `Problems` with all of `text_problems`."""
    if problems := text_problems(form, table, **others):
        raise Problems(problems)


def set_changed(row: Base, values: Mapping[str, Any]) -> list[str]:
    """Set the columns of a row that are not so yet; their names."""
    changed = [name for name, value in values.items() if getattr(row, name) != value]
    for name in changed:
        setattr(row, name, values[name])
    return changed
