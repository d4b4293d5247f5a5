"""Checks plain values that somebody gave us (JSON, a table's cell) and says what is wrong with them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, TypeVar, cast

from app.errors import BitternError, Problem, Problems

T = TypeVar("T")

LONGEST_QUOTE = 40
MOST_PROBLEMS = 200  # of one list


def quoted(value: object) -> str:
    """The value as a person typed it, cut short, for use in an error's sentence.

    >>> quoted("AQ9")
    "'AQ9'"
    >>> quoted(None), quoted(True), quoted([1])
    ('nothing', 'true', 'a list')
    """
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, int) and value.bit_length() > 128:
        return "a very large number"
    text = str(value)
    return f"'{text}'" if len(text) <= LONGEST_QUOTE else f"'{text[:LONGEST_QUOTE]}…'"


def as_text(value: object, field: str, longest: int = 200) -> str:
    """Non-empty text of at most `longest` characters, stripped; else a BitternError for `field`."""
    if not isinstance(value, str) or not value.strip():
        raise BitternError(field, f"Enter text here, not {quoted(value)}.")
    text = value.strip()
    if len(text) > longest:
        raise BitternError(field, f"This text is {len(text)} characters long; {longest} is the most.")
    if not text.isprintable():
        raise BitternError(field, "This text holds a character that cannot be printed. Take it out.")
    return text


def as_whole(value: object, field: str, least: int, most: int) -> int:
    """A whole number from `least` to `most` (an int or its digits as text); else a BitternError."""
    if isinstance(value, str) and value.strip().isascii() and value.strip().isdigit() and len(value) <= 12:
        value = int(value)
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
        raise BitternError(field, f"Enter a whole number from {least} to {most}, not {quoted(value)}.")
    return value


def as_list(value: object, field: str, most: int = 10_000) -> list[Any]:
    """A list of at most `most` entries; else a BitternError for `field`."""
    if not isinstance(value, list):
        raise BitternError(field, f"Give a list here, not {quoted(value)}.")
    if len(value) > most:
        raise BitternError(field, f"This list has {len(value)} entries; {most} is the most.")
    return value


class Faults:
    """What is wrong with somebody's values: each reader of a part is run, and all that they refuse is kept.

    >>> faults = Faults()
    >>> name, count = faults.take(as_text, "", "name"), faults.take(as_whole, "x", "count", 1, 9)
    >>> [problem.field for problem in faults.problems]
    ['name', 'count']
    """

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def take(self, read: Callable[..., T], *given: Any) -> T:
        """What `read` makes of the values; where it refuses them, None and its problems, and `stop` raises later."""
        try:
            return read(*given)
        except Problems as several:
            self.problems += several.problems
        except BitternError as error:
            self.problems.append(Problem(error.field, error.message))
        return cast(T, None)

    def fields(self, value: object, field: str, known: tuple[str, ...]) -> dict[str, Any]:
        """A JSON object, as `as_object` reads it; each key that is not known is a problem of its own."""
        data = as_object(value, field)
        for key in data:
            if key not in known:
                self.take(as_object, {key: None}, field, known)
        return data

    def rows(
        self,
        data: dict[str, Any],
        name: str,
        most: int,
        read: Callable[[Any, str], T],
        before: str = "",
    ) -> tuple[T, ...]:
        """Each entry of an object's list `name`, as `read` makes it of the entry and its field; () without it."""
        listed = self.take(as_list, data.get(name, []), before + name, most) or []
        found: list[T] = []
        start = len(self.problems)
        for number, each in enumerate(listed, 1):
            found.append(self.take(read, each, f"{before}{name}[{number}]"))
            if len(self.problems) - start > MOST_PROBLEMS:
                more = f"More than {MOST_PROBLEMS} problems; what stands after this was not read."
                self.note([Problem(f"{before}{name}[{number}]", more)])
                break
        return tuple(found)

    def note(self, problems: Iterable[Problem]) -> None:
        """Keep problems that were found another way."""
        self.problems += problems

    def stop(self) -> None:
        """Raise Problems with all of them, if there are any: until then nothing that was read may be used."""
        if self.problems:
            raise Problems(self.problems)


def as_object(value: object, field: str, known: tuple[str, ...] | None = None) -> dict[str, Any]:
    """A JSON object, with no keys but the `known` ones when those are given; else a BitternError."""
    if not isinstance(value, dict):
        raise BitternError(field, f"Give an object with named values here, not {quoted(value)}.")
    if known is not None:
        for key in value:
            if key not in known:
                name = f"{field}.{key}"[:80] if field else str(key)[:80]
                raise BitternError(name, f"{quoted(key)} is not known here. Known: {', '.join(known)}.")
    return value
