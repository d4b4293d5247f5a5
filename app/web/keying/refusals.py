"""Refusals of the keying room put beside the fields of a page, whose names have no prefix."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from wtforms import Form

from app.errors import BitternError, Problem, Problems
from app.keying import KeyingError
from app.web.forms_base import attach

MOST_SHOWN = 60


def attach_plain(form: Form, error: BitternError, names: Mapping[str, str] | None = None) -> None:
    """As `attach`; `spec.macs` finds the field `macs`, and `names` says which field takes another's refusal."""
    if isinstance(error, Problems):
        attach(form, Problems([Problem(_plain(p.field, names), p.message) for p in error.problems]))
    elif isinstance(error, KeyingError) or type(error) is BitternError:
        attach(form, BitternError(_plain(error.field, names), error.message))
    elif names and error.field in names:
        error.field = names[error.field]
        attach(form, error)
    else:
        attach(form, error)


def _plain(field: str, names: Mapping[str, str] | None) -> str:
    plain = field.removeprefix("spec.")
    return (names or {}).get(plain, plain)


def file_problems(error: BitternError) -> Sequence[Problem]:
    """What is wrong with a file, to list beside its upload field; the first rows of very many."""
    found = error.problems if isinstance(error, Problems) else (Problem(error.field, error.message),)
    if len(found) <= MOST_SHOWN:
        return found
    return (*found[:MOST_SHOWN], Problem("file", f"… and {len(found) - MOST_SHOWN:,} more. Mend these first."))
