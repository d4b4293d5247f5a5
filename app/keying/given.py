"""Values as somebody gave them: each comes out as the type we need, or as a refusal that names its field."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from app.keying.errors import KeyingError

LONGEST_SYMBOL = 60


def whole(value: object, field: str, low: int, high: int) -> int:
    """Give `value` as a whole number from `low` to `high`; a bool, a float or a text is refused.

    >>> whole(6, "spec.chambers", 3, 12)
    6
    """
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise KeyingError(field, f"Enter a whole number from {low:,} to {high:,}.")
    return value


def short(text: str) -> str:
    """Give `text` cut to a length that fits an error's field, with ? for what cannot be printed."""
    start = text if len(text) <= LONGEST_SYMBOL else text[: LONGEST_SYMBOL - 1] + "…"
    return "".join(character if character.isprintable() else "?" for character in start)


def symbol_text(value: object, field: str) -> str:
    """Give a symbol: a text of 1 to 60 printable characters."""
    if not isinstance(value, str) or not value.strip() or len(value) > LONGEST_SYMBOL or not value.isprintable():
        raise KeyingError(field, f"Enter a symbol of 1 to {LONGEST_SYMBOL} characters, such as AA1.")
    return value.strip()


def object_fields(value: object, field: str, known: Collection[str], needed: Collection[str] = ()) -> dict[str, Any]:
    """Give a JSON object's fields; refuses what is no object, an unknown field, and one that is missing."""
    if not isinstance(value, Mapping):
        raise KeyingError(field, "Give a JSON object here. See --example.")
    prefix = f"{field}." if field else ""
    for name in value:
        if name not in known:
            raise KeyingError(f"{prefix}{short(str(name))}", f"Unknown field. Known here: {', '.join(known)}.")
    for name in needed:
        if value.get(name) is None:
            raise KeyingError(f"{prefix}{name}", "This field is missing. See --example.")
    return dict(value)


def entries(value: object, field: str, most: int) -> list[Any]:
    """Give a JSON list of at most `most` entries."""
    if not isinstance(value, list) or len(value) > most:
        raise KeyingError(field, f"Give a list of at most {most:,} entries here.")
    return value
