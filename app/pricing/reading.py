"""Reading an object of JSON field by field: every bad field is reported, not the first alone."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import date
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from types import MappingProxyType
from typing import Any, TypeVar

from app.errors import BitternError, Problem, Problems
from app.pricing.money import MAX_CENTS, read_percent

FIRST_YEAR, LAST_YEAR = 1970, 2199
"""Days outside are slips of the hand; inside, no sum of working days leaves the calendar."""

_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_DECIMAL = re.compile(r"[0-9]{1,9}(?:\.[0-9]{1,2})?")
_MAX_ROWS = 1_000

E_ = TypeVar("E_", bound=StrEnum)
T = TypeVar("T")


def _short(given: object) -> str:
    """What was given, cut so that a message stays a message."""
    if isinstance(given, dict | list):
        return "an object" if isinstance(given, dict) else "a list"
    shown = f"“{given}”" if isinstance(given, str) else str(given).lower() if given is not None else "null"
    return shown if len(shown) <= 32 else f"{shown[:30]}…"


class Reader:
    """Takes the fields of one object; `done()` raises `Problems` with all that was wrong.

    A field that is missing without a default, or unusable, is noted and a harmless value returned, so that
    reading goes on. `null` counts as missing. Names of problems are paths: `factory.freight[2].cents`.
    """

    def __init__(self, given: object, path: str = "", problems: list[Problem] | None = None) -> None:
        self.problems: list[Problem] = [] if problems is None else problems
        self._path = path
        self._asked: set[str] = set()
        self._given: Mapping[str, Any] = given if isinstance(given, dict) else {}
        self.usable = isinstance(given, dict)
        if not self.usable:
            self.problems.append(Problem(path or "file", f"Give an object of fields, not {_short(given)}."))

    def done(self) -> None:
        """Refuse when anything was wrong, fields that nobody asked for included."""
        self.refuse_unknown()
        if self.problems:
            raise Problems(self.problems)

    def refuse_unknown(self) -> None:
        """Note each field that no reading asked for: a misspelt name must not pass as a default."""
        for name in sorted(set(self._given) - self._asked)[:20]:
            known = ", ".join(sorted(self._asked))
            self.refuse(name[:40], f"There is no field of this name here; the fields are {known}.")

    def refuse(self, name: str, message: str) -> None:
        self.problems.append(Problem(self._at(name), message))

    def _at(self, name: str) -> str:
        return f"{self._path}.{name}" if self._path else name

    def has(self, name: str) -> bool:
        """Whether the field is there and not null."""
        self._asked.add(name)
        return self._given.get(name) is not None

    def _take(self, name: str, default: T | None, read: Callable[[Any], T], harmless: T) -> T:
        if not self.has(name):
            if default is None and self.usable:
                self.refuse(name, "This field is missing.")
            return harmless if default is None else default
        try:
            return read(self._given[name])
        except BitternError as error:
            self.refuse(name, error.message)
            return harmless

    def whole(self, name: str, low: int, high: int, default: int | None = None) -> int:
        return self._take(name, default, lambda given: read_whole(given, low, high), low)

    def cents(self, name: str, default: int | None = None) -> int:
        """Whole cents, never below 0."""
        return self._take(name, default, read_json_cents, 0)

    def minutes(self, name: str, default: Fraction | None = None) -> Fraction:
        """Minutes, whole or with at most two decimals, held exactly."""
        return self._take(name, default, read_minutes, Fraction(0))

    def percent(self, name: str, default: Decimal | None = None) -> Decimal:
        return self._take(name, default, _read_json_percent, Decimal(0))

    def day(self, name: str, default: date | None = None) -> date:
        return self._take(name, default, read_day, date(FIRST_YEAR, 1, 1))

    def text(self, name: str, most: int = 200, default: str | None = None) -> str:
        return self._take(name, default, lambda given: read_text(given, most), "")

    def flag(self, name: str, default: bool | None = None) -> bool:
        return self._take(name, default, _read_flag, False)

    def word(self, name: str, words: type[E_], default: E_ | None = None) -> E_:
        """One of the words of an enumeration, as its value is written."""
        return self._take(name, default, lambda given: read_word(given, words), next(iter(words)))

    def by_word(
        self, name: str, words: type[E_], read: Callable[[Any], T], *, optional: bool = False
    ) -> Mapping[E_, T]:
        """An object whose field names are words of an enumeration; each value is read by `read`."""
        found: dict[E_, T] = {}
        if not self.has(name):
            if not optional and self.usable:
                self.refuse(name, "This field is missing.")
            return MappingProxyType(found)
        inner = Reader(self._given[name], self._at(name), self.problems)
        for key, value in inner._given.items():
            try:
                word = read_word(key, words)
            except BitternError as error:
                inner.refuse(key[:40], error.message)
                continue
            try:
                found[word] = read(value)
            except BitternError as error:
                inner.refuse(key, error.message)
        return MappingProxyType(found)

    def values(self, name: str, read: Callable[[Any], T]) -> tuple[T, ...]:
        """A list, empty when missing; each value is read by `read`."""
        found: list[T] = []
        for index, given in enumerate(self._list(name)):
            try:
                found.append(read(given))
            except BitternError as error:
                self.refuse(f"{name}[{index + 1}]", error.message)
        return tuple(found)

    def rows(self, name: str) -> tuple[Reader, ...]:
        """A list of objects, empty when missing, each with a reader of its own."""
        return tuple(
            Reader(given, f"{self._at(name)}[{index + 1}]", self.problems)
            for index, given in enumerate(self._list(name))
        )

    def part(self, name: str) -> Reader:
        """A nested object's reader; its problems land here."""
        self._asked.add(name)
        return Reader(self._given.get(name), self._at(name), self.problems)

    def raw(self, name: str) -> Any:
        """The field untouched, for a reader elsewhere."""
        self._asked.add(name)
        return self._given.get(name)

    def _list(self, name: str) -> list[Any]:
        if not self.has(name):
            return []
        given = self._given[name]
        if not isinstance(given, list) or len(given) > _MAX_ROWS:
            self.refuse(name, f"Give a list of at most {_MAX_ROWS:,}.")
            return []
        return given


def read_whole(given: Any, low: int, high: int) -> int:
    """A JSON whole number from `low` to `high`; true and 2.0 are not whole numbers."""
    if type(given) is not int or not low <= given <= high:
        raise BitternError("", f"Enter a whole number from {low:,} to {high:,}.")
    return given


def read_json_cents(given: Any) -> int:
    """Whole cents out of JSON."""
    if type(given) is not int or not 0 <= given <= MAX_CENTS:
        raise BitternError("", f"Enter whole cents from 0 to {MAX_CENTS:,}, as 1250 for $12.50.")
    return given


def read_minutes(given: Any) -> Fraction:
    """Minutes out of JSON: 12, 2.5 or "2.5"; a float is taken as the digits it was written with."""
    text = given if isinstance(given, str) else str(given) if type(given) in (int, float) else ""
    if len(text) > 12 or not _DECIMAL.fullmatch(text) or Fraction(text) > 1_000_000:
        raise BitternError("", "Enter minutes from 0 to 1,000,000, at most two decimals, as 2.5.")
    return Fraction(text)


def _read_json_percent(given: Any) -> Decimal:
    if type(given) is int and 0 <= given <= 100:
        return Decimal(given)
    return read_percent(given if isinstance(given, str) else "", "")


def read_day(given: Any) -> date:
    """A calendar day written as 2026-03-02."""
    try:
        if isinstance(given, str) and _DAY.fullmatch(given):
            day = date.fromisoformat(given)
            if FIRST_YEAR <= day.year <= LAST_YEAR:
                return day
    except ValueError:
        pass
    raise BitternError("", f"Enter a day as 2026-03-02, between the years {FIRST_YEAR} and {LAST_YEAR}.")


def read_text(given: Any, most: int = 200) -> str:
    """Text of 1 to `most` characters on one line, outer spaces dropped."""
    text = given.strip() if isinstance(given, str) else ""
    if not text or len(text) > most or not text.isprintable():
        raise BitternError("", f"Enter text of 1 to {most} characters on one line.")
    return text


def _read_flag(given: Any) -> bool:
    if not isinstance(given, bool):
        raise BitternError("", "Enter true or false.")
    return given


def read_word(given: Any, words: type[E_]) -> E_:
    """The word of an enumeration whose value is `given`."""
    for word in words:
        if isinstance(given, str) and word.value == given:
            return word
    raise BitternError("", f"{_short(given)} is not one of {', '.join(words)}.")
