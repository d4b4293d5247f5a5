"""Checks plain values that somebody gave us (JSON, a table's cell) and says what is wrong with them."""

from __future__ import annotations

__all__ = ["as_list", "as_object", "as_text", "as_whole", "quoted"]

from typing import Any

from app.errors import BitternError

LONGEST_QUOTE = 40


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
