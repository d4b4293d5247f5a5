"""How typed text is looked for in a column: case set aside, wildcards taken as plain characters."""

from __future__ import annotations

__all__ = ["begins", "holds"]

from typing import Any

import sqlalchemy as sa


def holds(column: Any, text: str) -> sa.ColumnElement[bool]:
    """Whether the column holds the text anywhere."""
    found: sa.ColumnElement[bool] = column.ilike(f"%{_plain(text)}%", escape="\\")
    return found


def begins(column: Any, text: str) -> sa.ColumnElement[bool]:
    """Whether the column begins with the text."""
    found: sa.ColumnElement[bool] = column.ilike(f"{_plain(text)}%", escape="\\")
    return found


def _plain(text: str) -> str:
    return text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
