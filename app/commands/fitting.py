"""`bittern fit`: cylinder length and deadbolt bore, for a quick question with no job."""

from fractions import Fraction
from typing import Any

import click

from app.commands.jsonio import json_command
from app.fitting import (
    BoreQuestion,
    LengthFit,
    LengthQuestion,
    fit_bore,
    fit_both_positions,
    read_inches,
    show_inches,
)
from app.validation import Reader, read_list

MOST_MEASURES = 1000

group = click.Group("fit", help="Does it fit: cylinder length, bore and backset.")


def _many(read: Reader, field: str) -> tuple[Fraction, ...]:
    if not read.has(field):
        read.value(field, read_list)
    return read.many(field, _inches, MOST_MEASURES)


def _inches(value: object) -> Fraction:
    return read_inches(value, "")


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
def length(read: Reader) -> dict[str, Any]:
    """Mortise cylinder length from door, case, trim and cam depth (inches). With "inside_trim", the inside
    cylinder too. Less than 1/64 in, half a turn of the thread, is no gap and no shortfall: a projection below 0 is
    such a shortfall."""
    question = LengthQuestion(
        door=read.value("door", _inches),
        case=read.value("case", _inches),
        trim=read.value("trim", _inches, Fraction(0)),
        cam_depth=read.value("cam_depth", _inches),
        lengths=_many(read, "lengths"),
        rings=read.many("rings", _inches, MOST_MEASURES),
    )
    inside_trim = read.optional("inside_trim", _inches)
    read.done()
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
def bore(read: Reader) -> dict[str, Any]:
    """Deadbolt backset against the stile, centered or not, and the hole that it needs (inches)."""
    question = BoreQuestion(
        stile=read.value("stile", _inches),
        backsets=_many(read, "backsets"),
        bore=read.value("bore", _inches),
        bore_min=read.optional("bore_min", _inches),
        bore_max=read.optional("bore_max", _inches),
    )
    read.done()
    fit = fit_bore(question)
    return {
        "centred_backset": show_inches(fit.centered_backset),
        "chosen": show_inches(fit.chosen),
        "offset_from_centre": show_inches(fit.offset_from_center),
        "edge_left": show_inches(fit.edge_left),
        "door_edge_left": show_inches(fit.door_edge_left),
        "inner_edge_left": show_inches(fit.inner_edge_left),
        "warnings": list(fit.warnings),
    }
