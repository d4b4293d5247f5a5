"""The next symbol in a system, by the standard key coding of the keying room."""

from __future__ import annotations

from app.keying import KeyingError, read_symbol


def change_level_symbol(levels: int, master: str, number: int) -> str:
    """The symbol of change `number` under `master`: number first in two levels, last in three and four.

    >>> change_level_symbol(2, "AA", 3), change_level_symbol(3, "AB", 1)
    ('3AA', 'AB1')
    """
    return f"{number}{master}" if levels == 2 else f"{master}{number}"


def number_of(symbol: str) -> int:
    """The number in a change's or a single's symbol; 0 where there is none.

    >>> number_of("12AA"), number_of("SKD4"), number_of("AA")
    (12, 4, 0)
    """
    try:
        return read_symbol(symbol).number or 0
    except KeyingError:
        return 0
