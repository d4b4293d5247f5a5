"""`bittern fit`: cylinder length and deadbolt bore, for a quick question with no job."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

import click

from app.commands.jsonio import json_command
from app.errors import BitternError
from app.fitting import (
    BoreQuestion,
    LengthFit,
    LengthQuestion,
    fit_bore,
    fit_both_positions,
    read_inches,
    show_inches,
)

MOST_MEASURES = 1000

group = click.Group("fit", help="Does it fit: cylinder length, bore and backset.")


def _one(given: Mapping[str, Any], field: str) -> Fraction:
    if field not in given:
        raise BitternError(field, f"Give {field} in inches. See --example.")
    return read_inches(given[field], field)


def _perhaps(given: Mapping[str, Any], field: str) -> Fraction | None:
    return None if given.get(field) is None else read_inches(given[field], field)


def _many(given: Mapping[str, Any], field: str) -> tuple[Fraction, ...]:
    values = given.get(field)
    if not isinstance(values, list) or len(values) > MOST_MEASURES:
        raise BitternError(field, f"Give {field} as a list of at most {MOST_MEASURES} lengths. See --example.")
    return tuple(read_inches(value, f"{field}[{number}]") for number, value in enumerate(values, 1))


def _only(given: Mapping[str, Any], known: tuple[str, ...]) -> None:
    for field in given:
        if field not in known:
            raise BitternError(str(field)[:80], f"This is not known here. Known: {', '.join(known)}.")


def _shown(value: Fraction | None) -> str | None:
    return None if value is None else show_inches(value)


def _length_json(fit: LengthFit) -> dict[str, Any]:
    return {
        "required": show_inches(fit.required),
        "chosen": _shown(fit.chosen),
        "ring": _shown(fit.ring),
        "projection": _shown(fit.projection),
        "warnings": list(fit.warnings),
    }


@json_command(
    group,
    "length",
    {
        "door": "1-3/4",
        "case": "1",
        "trim": "0",
        "cam_depth": "3/4",
        "lengths": ["1", "1-1/8", "1-1/4", "1-3/8"],
        "rings": ["1/16", "1/8", "1/4"],
    },
)
def length(given: dict[str, Any]) -> dict[str, Any]:
    """Mortise cylinder length from door, case, trim and cam depth (inches). With "inside_trim", the inside
    cylinder too."""
    _only(given, ("door", "case", "trim", "cam_depth", "lengths", "rings", "inside_trim"))
    question = LengthQuestion(
        door=_one(given, "door"),
        case=_one(given, "case"),
        trim=_perhaps(given, "trim") or Fraction(0),
        cam_depth=_one(given, "cam_depth"),
        lengths=_many(given, "lengths"),
        rings=() if given.get("rings") is None else _many(given, "rings"),
    )
    inside_trim = _perhaps(given, "inside_trim")
    outside, inside = fit_both_positions(question, inside_trim or Fraction(0))
    answer = _length_json(outside)
    if inside_trim is not None:
        answer["inside"] = _length_json(inside)
    return answer


@json_command(
    group,
    "bore",
    {"stile": "4", "backsets": ["2", "2-3/8", "2-3/4"], "bore": "2-1/8", "bore_min": "1-7/8", "bore_max": "2-1/8"},
)
def bore(given: dict[str, Any]) -> dict[str, Any]:
    """Deadbolt backset against the stile, centred or not, and the hole that it needs (inches)."""
    _only(given, ("stile", "backsets", "bore", "bore_min", "bore_max"))
    fit = fit_bore(
        BoreQuestion(
            stile=_one(given, "stile"),
            backsets=_many(given, "backsets"),
            bore=_one(given, "bore"),
            bore_min=_perhaps(given, "bore_min"),
            bore_max=_perhaps(given, "bore_max"),
        )
    )
    return {
        "centred_backset": show_inches(fit.centred_backset),
        "chosen": show_inches(fit.chosen),
        "offset_from_centre": show_inches(fit.offset_from_centre),
        "edge_left": show_inches(fit.edge_left),
        "door_edge_left": show_inches(fit.door_edge_left),
        "inner_edge_left": show_inches(fit.inner_edge_left),
        "warnings": list(fit.warnings),
    }
