"""The request as Bittern reads it."""

from __future__ import annotations

__all__ = ["HouseRequest"]

from typing import Any

from flask import Request
from werkzeug.datastructures import ImmutableMultiDict, MultiDict
from werkzeug.utils import cached_property


class HouseRequest(Request):
    """Flask's request, whose query string holds no NUL: no record has one, and PostgreSQL's text cannot.

    A form keeps what was typed, so that its own check can name the box.
    """

    @cached_property
    def args(self) -> MultiDict[str, str]:
        """The query string's values, each NUL replaced by the sign for an unreadable character."""
        given: Any = super().args
        return ImmutableMultiDict(
            (name.replace("\0", "\ufffd"), value.replace("\0", "\ufffd")) for name, value in given.items(multi=True)
        )
