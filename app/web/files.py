"""Files that a page hands out, of the right type and with a plain name, and files that it is sent."""

from collections.abc import Iterable, Sequence

from flask import Response
from flask_wtf.file import FileField

from app.spreadsheets import table_bytes

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


def send_table(kind: str, name: str, title: str, rows: Iterable[Sequence[str]]) -> Response:
    """A table of texts as `kind` csv or xlsx, its head first, under a plain name without an ending."""
    return send(table_bytes(kind, title, rows), f"{name}.{kind}", CSV if kind == "csv" else XLSX)


def read_upload(field: FileField) -> tuple[str, bytes]:
    """Name and content of the file in a field that has one."""
    storage = field.data
    try:
        return str(storage.filename or ""), bytes(storage.read())
    finally:
        storage.close()
