"""The request as Bittern reads it."""

from __future__ import annotations

import io
from typing import IO, Any

from flask import Request
from werkzeug.datastructures import ImmutableMultiDict, MultiDict
from werkzeug.exceptions import RequestEntityTooLarge
from werkzeug.formparser import FormDataParser
from werkzeug.utils import cached_property


class _FormParser(FormDataParser):
    """Werkzeug's, which bounds the boxes of a form with files; this bounds those of every form."""

    def parse(self, stream: IO[bytes], mimetype: str, content_length: int | None, options: Any = None) -> Any:
        """The form, or RequestEntityTooLarge where it has more boxes than any page."""
        if mimetype == "application/x-www-form-urlencoded":
            sent = stream.read()
            if self.max_form_parts is not None and sent.count(b"&") >= self.max_form_parts:
                raise RequestEntityTooLarge()
            stream = io.BytesIO(sent)
        return super().parse(stream, mimetype, content_length, options)


class HouseRequest(Request):
    """Flask's request, whose query string holds no NUL: no record has one, and PostgreSQL's text cannot.

    A form keeps what was typed, so that its own check can name the box.
    """

    form_data_parser_class = _FormParser

    @cached_property
    def args(self) -> MultiDict[str, str]:
        """The query string's values, each NUL replaced by the sign for an unreadable character."""
        given: Any = super().args
        return ImmutableMultiDict(
            (name.replace("\0", "\ufffd"), value.replace("\0", "\ufffd")) for name, value in given.items(multi=True)
        )
