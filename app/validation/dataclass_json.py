"""Frozen dataclasses to and from JSON: the fields' annotations say how each value stands there."""

import dataclasses
import json
import types
import typing
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal, InvalidOperation
from enum import StrEnum
from fractions import Fraction
from functools import cache, partial
from typing import Any, Self, cast

from app.errors import BitternError, Problems
from app.validation.reader import Reader, place_problems, read_many, read_named
from app.validation.values import (
    quoted,
    read_day,
    read_flag,
    read_list,
    read_object,
    read_text,
    read_whole,
    read_word,
)

_MOST_WHOLE = 10**15
_MOST_ENTRIES = 100_000


def _as_it_is(value: Any) -> Any:
    return value


@dataclass(frozen=True, slots=True)
class Form:
    """How a value stands in JSON: `read` refuses what cannot be, `write` gives what `read` takes back.

    Written into an annotation it takes the place of the type's own form: `Annotated[int, Form(read_cents)]`.
    """

    read: Callable[[Any], Any]
    write: Callable[[Any], Any] = _as_it_is


def whole(low: int, high: int) -> Form:
    """The form of a whole number from `low` to `high`."""
    return Form(lambda value: read_whole(value, low, high))


@dataclass(frozen=True, slots=True)
class AtMost:
    """Written into the annotation of a collection: how many entries it takes."""

    entries: int


def words_of(most: int) -> Form:
    """The form of a text of 1 to `most` characters on one line."""
    return Form(lambda value: read_text(value, most))


class JsonDataclass:
    """A frozen dataclass that goes to JSON and back by its fields' annotations."""

    __slots__ = ()

    @classmethod
    def from_json(cls, given: object, path: str = "") -> Self:
        """The value from parsed JSON; `Problems` lists every bad field, named under `path`.

        A field that is absent or null takes its default; with no default it is None where the annotation allows
        that, else missing. What the dataclass itself refuses (`__post_init__`) is told once its fields can be read.
        """
        try:
            return cast(Self, form_of(cast(Any, cls)).read(given))
        except BitternError as error:
            raise Problems(place_problems(error.problems, path)) from error

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values that `from_json` reads back to an equal value."""
        return cast(dict[str, Any], form_of(cast(Any, type(self))).write(self))

    def to_text(self) -> str:
        """The same as text that is kept and hashed: canonical JSON, with sorted keys and no spaces."""
        return json.dumps(self.to_json(), sort_keys=True, ensure_ascii=False, separators=(",", ":"))


@cache
def form_of(hint: Any) -> Form:
    """The form of an annotated type: a dataclass, a word, a plain value, a collection of them, or None besides."""
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin is typing.Annotated:
        if isinstance(inner[1], AtMost):
            return _list(typing.get_origin(inner[0]), form_of(typing.get_args(inner[0])[0]), inner[1].entries)
        return typing.cast(Form, inner[1])
    if origin in (typing.Union, types.UnionType):
        return _or_none(form_of(next(one for one in inner if one is not types.NoneType)))
    if origin is tuple and inner[-1] is not ...:
        return _row([form_of(one) for one in inner])
    if origin in (tuple, list, frozenset):
        return _list(origin, form_of(inner[0]))
    if origin in (dict, Mapping) and inner[1] is not Any:
        return _mapping(form_of(inner[0]), form_of(inner[1]))
    if dataclasses.is_dataclass(hint):
        return _fields(hint)
    plain = origin or hint
    if isinstance(plain, type) and issubclass(plain, StrEnum):
        return Form(lambda value: read_word(value, plain), lambda word: word.value)
    return _PLAIN[plain]


def _read_any_text(value: Any) -> str:
    if not isinstance(value, str):
        raise BitternError("", f"Enter text here, not {quoted(value)}.")
    return value


def _read_moment(value: Any) -> datetime:
    try:
        return datetime.fromisoformat(_read_any_text(value))
    except ValueError as error:
        raise BitternError("", "Write the moment as 2026-01-31T09:30:00+00:00.") from error


def _read_number(kind: Callable[[str], Any], value: Any) -> Any:
    try:
        return kind(_read_any_text(value))
    except (ValueError, InvalidOperation, ZeroDivisionError) as error:
        raise BitternError("", f"{quoted(value)} is no number that can be read.") from error


_PLAIN: dict[Any, Form] = {
    Any: Form(_as_it_is),
    bool: Form(read_flag),
    int: whole(-_MOST_WHOLE, _MOST_WHOLE),
    str: Form(_read_any_text),
    date: Form(read_day, date.isoformat),
    datetime: Form(_read_moment, datetime.isoformat),
    Decimal: Form(partial(_read_number, Decimal), str),
    Fraction: Form(partial(_read_number, Fraction), str),
    dict: Form(read_object),
    Mapping: Form(read_object, dict),
}


def _or_none(form: Form) -> Form:
    return Form(
        lambda value: None if value is None else form.read(value),
        lambda value: None if value is None else form.write(value),
    )


def _list(kind: Callable[[Any], Any], form: Form, most: int = _MOST_ENTRIES) -> Form:
    def read(value: Any) -> Any:
        return kind(read_many(value, form.read, most))

    def write(values: Any) -> list[Any]:
        written = [form.write(one) for one in values]
        return sorted(written) if kind is frozenset else written

    return Form(read, write)


def _row(forms: Sequence[Form]) -> Form:
    def read(value: Any) -> tuple[Any, ...]:
        entries = read_list(value)
        if len(entries) != len(forms):
            raise BitternError("", f"Give a list of {len(forms)} here, not of {len(entries)}.")
        return tuple(form.read(one) for form, one in zip(forms, entries, strict=True))

    return Form(read, lambda row: [form.write(one) for form, one in zip(forms, row, strict=True)])


def _mapping(key_form: Form, form: Form) -> Form:
    def read(value: Any) -> Mapping[Any, Any]:
        found, problems = read_named(read_object(value, _MOST_ENTRIES), form.read, key_form.read)
        if problems:
            raise Problems(problems)
        return found

    return Form(read, lambda values: {key_form.write(key): form.write(one) for key, one in values.items()})


def _fields(kind: Any) -> Form:
    """The form of a dataclass. Its fields' forms are looked up at the first use, since a type may hold its like."""

    @cache
    def plan() -> list[tuple[str, Form, bool, bool]]:
        hints = typing.get_type_hints(kind, include_extras=True)
        return [
            (
                one.name,
                form_of(hints[one.name]),
                one.default is not dataclasses.MISSING or one.default_factory is not dataclasses.MISSING,
                types.NoneType in typing.get_args(hints[one.name]),
            )
            for one in dataclasses.fields(kind)
        ]

    @cache
    def names() -> frozenset[str]:
        return frozenset(name for name, *_ in plan())

    def read(value: Any) -> Any:
        given = read_object(value)
        found: dict[str, Any] = {}
        try:
            for name, form, has_default, may_be_none in plan():
                if given.get(name) is not None:
                    found[name] = form.read(given[name])
                elif may_be_none and (not has_default or name in given):
                    found[name] = None
                elif not has_default:
                    raise BitternError(name, "")
            if not given.keys() <= names():
                raise BitternError("", "")
        except BitternError:
            _refuse(given, plan())
        return kind(**found)

    def write(value: Any) -> dict[str, Any]:
        return {name: form.write(getattr(value, name)) for name, form, _, _ in plan()}

    return Form(read, write)


def _refuse(given: Mapping[str, Any], plan: Sequence[tuple[str, Form, bool, bool]]) -> None:
    """Raise Problems with everything that is wrong with an object: it is read again, field by field, for that."""
    reader = Reader(given)
    for name, form, has_default, may_be_none in plan:
        if reader.has(name) or not (has_default or may_be_none):
            reader.value(name, form.read)
    reader.done()
