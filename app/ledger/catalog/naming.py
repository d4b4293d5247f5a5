"""Names that one of a maker's tables takes from another table, held against every maker on record."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problem
from app.ledger.catalog.cells import Row
from app.ledger.tables import Maker


def unknown_names(
    session: Session, maker: Maker, key: str, tables: Mapping[str, Any], rows: Sequence[tuple[int, Row]]
) -> list[Problem]:
    """What rows of a sheet name that no maker's table has, by row and column: locks of cams, keyways of blanks.

    A misspelt lock in a cam's exceptions would never be told, and the counter would sell the cam for it.
    """
    if key not in ("cams", "blanks"):
        return []
    numbers = [number for number, row in rows if any(cell.strip() for cell in row.values())]
    held = session.scalars(sa.select(Maker.tables).where(Maker.id != maker.id)).all()
    everyone = [tables, *held]
    if key == "cams":
        locks = {lock["name"].casefold() for each in everyone for lock in each.get("locks", [])}
        series = {lock["series"].casefold() for each in everyone for lock in each.get("locks", [])}
        return _cams(zip(numbers, tables["cams"], strict=False), locks, series)
    keyways = {name for each in everyone for name in _keyways(each)}  # letters count: so are they compared
    return [
        Problem(
            f"row {number}, keyways", f"No maker's table has a keyway {name}: mend it, or enter the keyway first."
        )
        for number, blank in zip(numbers, tables["key_blanks"], strict=False)
        for name in blank["keyways"]
        if name not in keyways
    ]


def _cams(rows: Iterable[tuple[int, Mapping[str, Any]]], locks: set[str], series: set[str]) -> list[Problem]:
    problems = []
    for number, cam in rows:
        for name in cam["locks"]:
            if name.casefold() not in locks | series:
                text = f"No maker's table has a lock or series {name}: mend it, or enter the lock first."
                problems.append(Problem(f"row {number}, locks", text))
        for exception in cam.get("exceptions", []):
            if exception["lock"].casefold() not in locks:
                text = f"No maker's table has a lock {exception['lock']}, so this exception would never be told."
                problems.append(Problem(f"row {number}, exceptions", text))
    return problems


def _keyways(tables: Mapping[str, Any]) -> Iterable[str]:
    """The keyways of a maker: those of their table, and those that its part numbers can say."""
    for keyway in tables.get("keyways", []):
        yield keyway["name"]
    for pattern in tables.get("patterns", []):
        for segment in pattern["segments"]:
            for row in (segment, *segment.get("codes", []), *segment.get("missing", [])):
                if name := (row.get("sets") or {}).get("keyway"):
                    yield name
