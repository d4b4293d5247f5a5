"""Finds and reads the reference tables in the top-level `shared` folder; every row carries its source."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path

from app.errors import BitternError
from app.fitting.inches import read_inches
from app.validation import quoted


@dataclass(frozen=True, slots=True)
class DoorPreparation:
    """A door preparation or the standard that covers one; measures in inches, None where none is given."""

    number: str
    what: str
    text: str
    cross_bore: Fraction | None
    backset: Fraction | None
    edge_bore: Fraction | None
    edge_mortise: str
    source: str
    status: str


@dataclass(frozen=True, slots=True)
class TradeFact:
    """A value of common practice, with where it is from."""

    name: str
    value: Fraction
    text: str
    source: str


def reference_folder() -> Path:
    """The `shared` folder at the top of the checkout (not the repository's parent)."""
    return Path(__file__).resolve().parents[2] / "shared"


@cache
def reference_rows(name: str) -> tuple[dict[str, str], ...]:
    """The rows of `shared/<name>.csv`, as text by column; BitternError when the file is not there.

    >>> reference_rows("finishes")[0]["code"]
    '605'
    """
    path = reference_folder() / f"{name}.csv"
    try:
        with path.open(encoding="utf-8", newline="") as handle:
            return tuple(csv.DictReader(handle))
    except OSError as error:
        raise BitternError(
            "shared", f"The reference table {name}.csv is missing; restore the folder named shared."
        ) from error


def _measure(text: str) -> Fraction | None:
    return read_inches(text, "door_preparations") if text else None


@cache
def door_preparations() -> tuple[DoorPreparation, ...]:
    """All door preparations and standards for which a published source is named."""
    return tuple(
        DoorPreparation(
            number=row["number"],
            what=row["what"],
            text=row["text"],
            cross_bore=_measure(row["cross_bore"]),
            backset=_measure(row["backset"]),
            edge_bore=_measure(row["edge_bore"]),
            edge_mortise=row["edge_mortise"],
            source=row["source"],
            status=row["status"],
        )
        for row in reference_rows("door_preparations")
    )


def trade_fact(name: str) -> TradeFact:
    """A value of common practice by its name in `shared/trade_facts.csv`.

    >>> trade_fact("mortise_threads_per_inch").value
    Fraction(32, 1)
    """
    for row in reference_rows("trade_facts"):
        if row["id"] == name:
            return TradeFact(row["id"], read_inches(row["value"], name), row["text"], row["source"])
    raise BitternError("trade_facts", f"{quoted(name)} is not in the table of trade facts.")
