"""What an address asks for: which page of a list, a text to search for, a fragment of the page alone."""

from collections.abc import Mapping

from flask import request

from app.web.forms_base import one_line, record_id


def read_page(arguments: Mapping[str, str]) -> int:
    """The page number in the address; 1 for nonsense.

    >>> read_page({"page": "3"}), read_page({"page": "-3"}), read_page({})
    (3, 1, 1)
    """
    sent = arguments.get("page", "")
    return max(int(sent), 1) if sent.isascii() and sent.isdecimal() and len(sent) < 7 else 1


def read_id(arguments: Mapping[str, str], name: str) -> int | None:
    """The number of a record in the address or in a hidden field; None when it is absent, and for nonsense.

    >>> read_id({"row": "12"}, "row"), read_id({"row": "-1"}, "row"), read_id({}, "row")
    (12, None, None)
    """
    return record_id(arguments.get(name)) or None


def read_text(arguments: Mapping[str, str], name: str = "q", most: int = 120) -> str:
    """The text to search for: single spaces, no control characters, at most `most` characters; "" when absent.

    >>> read_text({"q": "  Flat \\x00 2 "})
    'Flat 2'
    """
    typed = one_line(arguments.get(name))[: most * 4]
    return one_line("".join(sign for sign in typed if sign.isprintable()))[:most]


def wants_fragment() -> bool:
    """Whether HTMX asks for the part of the page that changes, not a restored history entry."""
    return "HX-Request" in request.headers and "HX-History-Restore-Request" not in request.headers
