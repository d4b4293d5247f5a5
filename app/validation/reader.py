"""Reading an object of JSON field by field: every bad field is reported, not the first alone."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from enum import StrEnum
from types import MappingProxyType
from typing import Any, TypeVar, cast

from app.errors import BitternError, Problem, Problems
from app.validation.values import (
    FIRST_YEAR,
    MOST_ROWS,
    quoted,
    read_day,
    read_flag,
    read_list,
    read_object,
    read_text,
    read_whole,
    read_word,
    short_name,
)

_MOST_PROBLEMS = 200  # of one list

Word = TypeVar("Word", bound=StrEnum)
T = TypeVar("T")


def _joined(path: str, name: str) -> str:
    return path + name if not path or not name or name.startswith("[") else f"{path}.{name}"


def place_problems(problems: Iterable[Problem], path: str) -> list[Problem]:
    """The problems of a part, their fields named under `path`."""
    return [Problem(_joined(path, each.field), each.message) for each in problems]


def read_entries(entries: Sequence[Any], read: Callable[[Any], T]) -> tuple[tuple[T, ...], list[Problem]]:
    """Each entry of a list as `read` makes it, None where refused; and all that was refused, as `[2].cents`."""
    found: list[T] = []
    problems: list[Problem] = []
    for number, each in enumerate(entries, 1):
        try:
            found.append(read(each))
        except BitternError as error:
            found.append(cast(T, None))
            problems += place_problems(error.problems, f"[{number}]")
        if len(problems) > _MOST_PROBLEMS:
            more = f"More than {_MOST_PROBLEMS} problems; what stands after this was not read."
            problems.append(Problem(f"[{number}]", more))
            break
    return tuple(found), problems


def read_many(value: Any, read: Callable[[Any], T], most: int = MOST_ROWS) -> tuple[T, ...]:
    """A list of at most `most` entries, each as `read` makes it; `Problems` with all that was refused."""
    found, problems = read_entries(read_list(value, most), read)
    if problems:
        raise Problems(problems)
    return found


def read_named(
    given: Mapping[str, Any], read: Callable[[Any], T], read_key: Callable[[Any], Any]
) -> tuple[Mapping[Any, T], list[Problem]]:
    """Each field of an object with its name, as they are read, bad ones left out; and all that was refused."""
    found: dict[Any, T] = {}
    problems: list[Problem] = []
    for key, value in given.items():
        try:
            name = read_key(key)
            if name in found:
                raise BitternError("", "This name stands here twice.")
            found[name] = read(value)
        except BitternError as error:
            # A name that no sentence could show is told of the object.
            problems += place_problems(error.problems, key if short_name(key) == key else "")
    return MappingProxyType(found), problems


class Reader:
    """Takes the fields of one object; `done()` raises `Problems` with all that was wrong.

    A field that is missing without a default, or unusable, is noted, and reading goes on: numbers, texts, days,
    flags and words come out as a harmless value then, everything else as None. Nothing that was read may be used
    before `done()`. `null` counts as missing. Names of problems are paths: `freight[2].cents`. A field's own reader
    (`read`) takes the plain value and names in its refusals what lies within it, "" for the value itself.
    `given` is the object as it is. `hint` ends the sentences about fields that are missing or not known, and about
    what is no object.

    >>> read = Reader({"name": "", "keys": 3, "color": "red"})
    >>> name, keys = read.text("name"), read.whole("keys", 0, 2)
    >>> try:
    ...     read.done()
    ... except Problems as refused:
    ...     [problem.field for problem in refused.problems]
    ['color', 'name', 'keys']
    """

    def __init__(self, given: object, path: str = "", hint: str = "") -> None:
        self.problems: list[Problem] = []
        self._path = path
        self._hint = f" {hint}" if hint else ""
        self._known: dict[str, None] = {}
        self.given: Mapping[str, Any] = {}
        try:
            self.given = read_object(given)
            self.usable = True
        except BitternError as error:
            self.usable = False
            self.problems.append(Problem(path, error.message + self._hint))

    def done(self) -> None:
        """Refuse when anything was wrong, fields that nobody asked for included."""
        known = ", ".join(self._known)
        names = [name for name in self.given if name not in self._known][:20]
        # They come first: a misspelled name is often why another field is missing, and must not pass as its default.
        unknown = [
            (short_name(name), f"{quoted(name)} is not known here. Known: {known}.{self._hint}") for name in names
        ]
        self.problems[:0] = [Problem(_joined(self._path, name), message) for name, message in unknown]
        if self.problems:
            raise Problems(self.problems)

    def refuse(self, name: str, message: str) -> None:
        """Note that something is wrong with a field."""
        self.problems.append(Problem(_joined(self._path, name), message))

    def note(self, problems: Iterable[Problem]) -> None:
        """Note problems that were found another way; their fields are paths within this object."""
        for problem in problems:
            self.refuse(problem.field, problem.message)

    def has(self, name: str) -> bool:
        """Whether the field is there and not null."""
        self._known[name] = None
        return self.given.get(name) is not None

    def raw(self, name: str) -> Any:
        """The field untouched, None when missing."""
        self._known[name] = None
        return self.given.get(name)

    def value(self, name: str, read: Callable[[Any], T], default: T | None = None) -> T:
        """What `read` makes of the field; the default when missing, None when refused."""
        return self._take(name, read, default, cast(T, None))

    def optional(self, name: str, read: Callable[[Any], T]) -> T | None:
        """What `read` makes of the field; None when missing or refused."""
        return self.value(name, read) if self.has(name) else None

    def _take(self, name: str, read: Callable[[Any], T], default: T | None, harmless: T) -> T:
        if not self.has(name) and default is not None:
            return default
        if not self.usable:
            return harmless
        try:
            return read(self.given.get(name))
        except BitternError as error:
            if self.has(name):
                self.note(place_problems(error.problems, name))
            else:
                self.refuse(name, f"This field is missing. {error.problems[0].message}{self._hint}")
            return harmless

    def whole(self, name: str, low: int, high: int, default: int | None = None) -> int:
        """A whole number from `low` to `high`."""
        return self._take(name, lambda value: read_whole(value, low, high), default, low)

    def text(self, name: str, most: int = 200, default: str | None = None) -> str:
        """Text of 1 to `most` characters on one line, outer spaces dropped."""
        return self._take(name, lambda value: read_text(value, most), default, "")

    def day(self, name: str, default: date | None = None) -> date:
        """A day written as 2026-03-02."""
        return self._take(name, read_day, default, date(FIRST_YEAR, 1, 1))

    def flag(self, name: str, default: bool | None = None) -> bool:
        """True or false."""
        return self._take(name, read_flag, default, False)

    def word(self, name: str, words: type[Word], default: Word | None = None) -> Word:
        """One of the words of an enumeration, as its value is written."""
        return self._take(name, lambda value: read_word(value, words), default, next(iter(words)))

    def many(self, name: str, read: Callable[[Any], T], most: int = MOST_ROWS) -> tuple[T, ...]:
        """A list, empty when missing; each entry as `read` makes it, None where refused: `freight[2]`."""
        if not self.has(name):
            return ()
        found, problems = read_entries(self.value(name, lambda value: read_list(value, most)) or [], read)
        self.note(place_problems(problems, name))
        return found

    def rows(self, name: str, make: "Callable[[Reader], T]", most: int = MOST_ROWS) -> tuple[T, ...]:
        """A list of objects, empty when missing; each as `make` takes it from its own reader, None where refused."""

        def read(given: Any) -> T:
            row = Reader(given)
            made = make(row)
            row.done()
            return made

        return self.many(name, read, most)

    def by_name(
        self, name: str, read: Callable[[Any], T], read_key: Callable[[Any], Any] = read_text, most: int = MOST_ROWS
    ) -> Mapping[Any, T]:
        """An object of at most `most` fields of any names; names and values as they are read, bad ones left out."""
        given = self.value(name, lambda value: read_object(value, most)) or {}
        found, problems = read_named(given, read, read_key)
        self.note(place_problems(problems, name))
        return found
