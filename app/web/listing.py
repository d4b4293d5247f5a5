"""What an address asks of a list: which page, and which text to look for."""

from __future__ import annotations

from collections.abc import Mapping

from app.web.forms_base import one_line

LONGEST = 120


def read_page(arguments: Mapping[str, str]) -> int:
    """The page number in the address; 1 for nonsense.

    >>> read_page({"page": "3"}), read_page({"page": "-3"}), read_page({})
    (3, 1, 1)
    """
    sent = arguments.get("page", "")
    return max(int(sent), 1) if sent.isascii() and sent.isdecimal() and len(sent) < 7 else 1


def read_text(arguments: Mapping[str, str]) -> str:
    """What to look for, from `q`: single spaces, no control characters, at most 120 characters.

    >>> read_text({"q": "  Flat \\x00 2 "})
    'Flat 2'
    """
    typed = one_line(arguments.get("q"))[: LONGEST * 4]
    return one_line("".join(sign for sign in typed if sign.isprintable()))[:LONGEST]


def count_pages(rows: int, size: int = 50) -> int:
    """How many pages of `size` rows there are; at least one.

    >>> count_pages(0), count_pages(50), count_pages(51)
    (1, 1, 2)
    """
    return max(-(-rows // size), 1)
