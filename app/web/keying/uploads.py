"""A file that was sent with a form: its name and content, its temporary copy given back."""

from __future__ import annotations

from flask_wtf.file import FileField


def read_upload(field: FileField) -> tuple[str, bytes]:
    """Name and content of the file in a field that has one."""
    storage = field.data
    try:
        return str(storage.filename or ""), bytes(storage.read())
    finally:
        storage.close()
