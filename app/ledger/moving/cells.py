"""How a column's value stands in a cell and is read back exactly, and whether a value has its declared shape."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from enum import StrEnum
from typing import Any

import sqlalchemy as sa

from app.errors import BitternError
from app.fitting import read_inches, write_inches
from app.ledger.tables import Inches, UTCDateTime
from app.validation import check_length

_MOST_INTEGER = 2**31 - 1  # what an INTEGER column holds on PostgreSQL


def write_cell(column: sa.Column[Any], value: Any) -> str:
    """A value as text; "" for none."""
    if value is None:
        return ""
    match column.type:
        case Inches():
            return write_inches(value)
        case UTCDateTime():
            return str(value.astimezone(UTC).isoformat())
        case sa.Enum():
            return str(value.value)
        case sa.Boolean():
            return "yes" if value else "no"
        case sa.Date():
            return str(value.isoformat())
        case sa.JSON():
            return json.dumps(value, ensure_ascii=False, separators=(",", ":"))
        case _:
            return str(value)


def read_cell(column: sa.Column[Any], text: str) -> Any:
    """The value of a cell; None for an empty one where the column takes none. BitternError with what to mend."""
    kind = column.type
    if isinstance(kind, sa.String) and not isinstance(kind, sa.Enum):
        return _text(column, kind.length, text)
    if not text:
        if column.nullable:
            return None
        raise BitternError(column.name, "This cell may not be empty.")
    try:
        return _read(column, text)
    except BitternError:
        raise
    except (ValueError, OverflowError, RecursionError) as error:
        raise BitternError(column.name, f"{text[:40]!r} cannot be read here. {_how(column)}") from error


def _text(column: sa.Column[Any], most: int | None, text: str) -> str:
    if most is not None:
        check_length(text, most, column.name)
    if "\0" in text:
        raise BitternError(column.name, "There is a character in this text that no record holds; type it anew.")
    return text


def _read(column: sa.Column[Any], text: str) -> Any:
    match column.type:
        case Inches():
            return read_inches(text, column.name)
        case UTCDateTime():
            moment = datetime.fromisoformat(text)
            return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).astimezone(UTC)
        case sa.Enum() as kind:
            words: type[StrEnum] = kind.enum_class  # type: ignore[assignment]  # each of ours has one
            return words(text)
        case sa.Boolean():
            return {"yes": True, "no": False}[text.lower()] if text.lower() in ("yes", "no") else _bad()
        case sa.Date():
            return date.fromisoformat(text)
        case sa.JSON():
            value = json.loads(text, parse_constant=_bad)
            return value if isinstance(value, dict | list) and is_sound_text(value) else _bad()
        case sa.Integer():
            plain = text.removeprefix("-")
            if not (plain.isascii() and plain.isdecimal() and len(plain) <= 10 and int(plain) <= _MOST_INTEGER):
                _bad()
            return int(text)
        case _:
            raise NotImplementedError(column.name)


def _bad(*_: object) -> Any:
    raise ValueError


def _how(column: sa.Column[Any]) -> str:
    match column.type:
        case UTCDateTime():
            return "Write the moment as 2026-01-31T09:30:00+00:00."
        case sa.Enum() as kind:
            return f"Write one of: {', '.join(kind.enums)}."
        case sa.Boolean():
            return "Write yes or no."
        case sa.Date():
            return "Write the day as 2026-01-31."
        case sa.JSON():
            return "It is no JSON object or list."
        case sa.Integer():
            return "Write a whole number."
        case _:
            return ""


def is_sound_text(value: Any) -> bool:
    """Whether every text in a JSON value is one that a record can hold: no NUL, no half of a character.

    >>> is_sound_text({"a": ["b", 1, None]}), is_sound_text(["\\0"]), is_sound_text({"\\ud800": 1})
    (True, False, False)
    """
    match value:
        case str():
            return "\0" not in value and not any("\ud800" <= one <= "\udfff" for one in value)
        case dict():
            return all(is_sound_text(name) and is_sound_text(one) for name, one in value.items())
        case list():
            return all(map(is_sound_text, value))
        case _:
            return True
