"""One rule for text that a spreadsheet program would run as a formula, in every table that goes out or comes in."""

from __future__ import annotations

# A cell that begins with one of these is run as a formula, or starts one after a separator.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


def guarded(text: str) -> str:
    """Text for a cell that no spreadsheet program takes for a formula: one apostrophe in front where needed.

    Needed where the text, after any apostrophes of its own, begins with a sign of FORMULA_STARTS; so
    `unguarded` gives back every text exactly.

    >>> guarded("=1+1"), guarded("A18M"), guarded("'=1+1"), guarded("'90s lock")
    ("'=1+1", 'A18M', "''=1+1", "'90s lock")
    >>> unguarded("''=1+1"), unguarded("'90s lock")
    ("'=1+1", "'90s lock")
    """
    return f"'{text}" if text.lstrip("'").startswith(FORMULA_STARTS) else text


def unguarded(text: str) -> str:
    """The inverse of `guarded`."""
    return text[1:] if text.startswith("'") and text.lstrip("'").startswith(FORMULA_STARTS) else text
