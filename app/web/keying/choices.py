"""Lists to choose from, filled when the page is made."""

from __future__ import annotations

from collections.abc import Sequence

from wtforms import SelectField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs


def offer(field: SelectField, rows: Sequence[tuple[str, str]]) -> None:
    """Fill a field's list with (value, words)."""
    field.choices = [SelectChoice(value, words) for value, words in rows]
