"""How a column's value stands in a cell and is read back exactly, and whether a value has its declared shape."""

import json
from collections.abc import Callable
from datetime import UTC, date, datetime, time
from enum import StrEnum
from functools import cache
from operator import attrgetter
from typing import Any, NamedTuple

import sqlalchemy as sa

from app.errors import BitternError
from app.fitting import read_inches, write_inches
from app.ledger.tables import Inches, UTCDateTime
from app.validation import check_length

_MOST_INTEGER = 2**31 - 1  # what an INTEGER column holds on PostgreSQL


class _Cell(NamedTuple):
    """How a kind of column is written and read; `read` raises ValueError where only `hint` says what to do."""

    write: Callable[[Any], str]
    read: Callable[[str], Any]
    hint: str = ""


def write_cell(column: sa.Column[Any], value: Any) -> str:
    """A value as text; "" for none."""
    return "" if value is None else _cell_of(column).write(value)


def read_cell(column: sa.Column[Any], text: str) -> Any:
    """The value of a cell; None for an empty one where the column takes none. BitternError with what to mend."""
    kind = column.type
    if not text and column.nullable:
        return None
    if isinstance(kind, sa.String) and not isinstance(kind, sa.Enum):
        if kind.length is not None:
            check_length(text, kind.length, column.name)
        if "\0" in text:
            raise BitternError(column.name, "There is a character in this text that no record holds; type it anew.")
        return text
    if not text:
        raise BitternError(column.name, "This cell may not be empty.")
    cell = _cell_of(column)
    try:
        return cell.read(text)
    except BitternError:
        raise
    except (ValueError, KeyError, OverflowError, RecursionError) as error:
        raise BitternError(column.name, f"{text[:40]!r} cannot be read here. {cell.hint}") from error


@cache
def _cell_of(column: sa.Column[Any]) -> _Cell:
    match column.type:
        case Inches():
            return _Cell(write_inches, lambda text: read_inches(text, column.name))
        case UTCDateTime():
            return _Cell(
                lambda moment: str(moment.astimezone(UTC).isoformat()),
                _read_moment,
                "Write the moment as 2026-01-31T09:30:00+00:00.",
            )
        case sa.Enum() as kind:
            words: type[StrEnum] = kind.enum_class  # type: ignore[assignment]  # each of ours has one
            return _Cell(attrgetter("value"), words, f"Write one of: {', '.join(kind.enums)}.")
        case sa.Boolean():
            words_of = {"yes": True, "no": False}
            return _Cell(
                lambda flag: "yes" if flag else "no", lambda text: words_of[text.lower()], "Write yes or no."
            )
        case sa.Date():
            return _Cell(date.isoformat, date.fromisoformat, "Write the day as 2026-01-31.")
        case sa.Time():
            return _Cell(time.isoformat, time.fromisoformat, "Write the time as 14:30.")
        case sa.JSON():
            return _Cell(
                lambda value: json.dumps(value, ensure_ascii=False, separators=(",", ":")),
                _read_json,
                "It is no JSON object or list.",
            )
        case sa.Integer():
            return _Cell(str, _read_whole, "Write a whole number.")
        case sa.String():
            return _Cell(str, str)
        case _:
            raise NotImplementedError(column.name)


def _read_moment(text: str) -> datetime:
    moment = datetime.fromisoformat(text)
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).astimezone(UTC)


def _read_json(text: str) -> Any:
    value = json.loads(text, parse_constant=_refuse)
    return value if isinstance(value, dict | list) and is_sound_text(value) else _refuse()


def _read_whole(text: str) -> int:
    plain = text.removeprefix("-")
    if not (plain.isascii() and plain.isdecimal() and len(plain) <= 10 and int(plain) <= _MOST_INTEGER):
        _refuse()
    return int(text)


def _refuse(*_: object) -> Any:
    raise ValueError


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
