"""How typed text is looked for in a column: case set aside, wildcards taken as plain characters."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa


def holds(column: Any, text: str) -> sa.ColumnElement[bool]:
    """Whether the column holds the text anywhere."""
    return holds_pattern(column, pattern_of(text))


def holds_pattern(column: Any, pattern: Any) -> sa.ColumnElement[bool]:
    """`holds` for a pattern made by `pattern_of`, or for the parameter that will be one."""
    found: sa.ColumnElement[bool] = column.ilike(pattern, escape="\\")
    return found


def pattern_of(text: str) -> str:
    """The text as a pattern that is met anywhere.

    >>> pattern_of("100 %")
    '%100 \\\\%%'
    """
    return f"%{_plain(text)}%"


def _plain(text: str) -> str:
    return text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
