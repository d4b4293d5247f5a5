"""What an address asks for: a text, a page number, a piece of the page alone."""

from __future__ import annotations

from flask import request

from app.web.forms_base import one_line


def asked_text(name: str, most: int = 200) -> str:
    """The text under `name` in the address, on one line and cut to what a search can use; "" when absent."""
    return one_line(request.args.get(name))[:most]


def asked_page(name: str = "page") -> int:
    """The page number in the address; 1 for nonsense."""
    sent = request.args.get(name, "")
    return max(int(sent), 1) if sent.isascii() and sent.isdecimal() and len(sent) < 7 else 1


def is_piece() -> bool:
    """Whether HTMX asks for the part of the page that changes, not a restored history entry."""
    return "HX-Request" in request.headers and "HX-History-Restore-Request" not in request.headers
