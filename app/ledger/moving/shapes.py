"""Whether a value that was read from a file has the shape that its dataclass declares."""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Mapping
from functools import cache
from typing import Any


def has_shape(value: Any, hint: Any) -> bool:
    """Whether a value is what an annotation says, all the way down; a whole number is no yes or no.

    >>> has_shape((("a", 1),), tuple[tuple[str, int], ...]), has_shape((("a", True),), tuple[tuple[str, int], ...])
    (True, False)
    >>> has_shape(None, int | None), has_shape("1", int | None)
    (True, False)
    """
    if hint is Any:
        return True
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        return any(has_shape(value, one) for one in inner)
    if origin is tuple:
        if not isinstance(value, tuple):
            return False
        if inner[-1] is ...:
            return all(has_shape(one, inner[0]) for one in value)
        return len(value) == len(inner) and all(map(has_shape, value, inner))
    if origin is not None:
        return isinstance(value, origin)
    if not isinstance(value, hint) or (isinstance(value, bool) and hint is not bool):
        return False
    return all(has_shape(getattr(value, name), one) for name, one in _hints(hint).items())


@cache
def _hints(kind: Any) -> Mapping[str, Any]:
    """The declared fields of a dataclass; none of any other kind of value."""
    if not dataclasses.is_dataclass(kind):
        return {}
    hints = typing.get_type_hints(kind)
    return {one.name: hints[one.name] for one in dataclasses.fields(kind)}


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
