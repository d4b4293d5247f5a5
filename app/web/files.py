"""Files that a page hands out: the right type, a plain name, never kept by a cache."""

from __future__ import annotations

from flask import Response

PDF = "application/pdf"
CSV = "text/csv"
EML = "message/rfc822"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
ZIP = "application/zip"


def send(content: bytes, name: str, kind: str) -> Response:
    """The file; a PDF opens in the browser, a table is saved. `name` is one of ours, without spaces or quotes."""
    place = "inline" if kind == PDF else "attachment"
    answer = Response(content, mimetype=kind)
    answer.headers["Content-Disposition"] = f'{place}; filename="{name}"'
    return answer
