"""The cross-keyed cylinders of a job's door list: which keyset such a door is keyed to, and what else operates it."""

from __future__ import annotations

import re

from app.ledger.keysystems.crosskeying import insert_operators
from app.ledger.sites.door_paste import DoorRow
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Keyset


def own_symbol(row: DoorRow) -> str:
    """The keyset that a row's door is keyed to; X1X has no key of its own, so the first that operates it.

    >>> own_symbol(DoorRow(1, keyset="X1X", operated_by="2AA, 3AA")), own_symbol(DoorRow(1, keyset="1AA"))
    ('2AA', '1AA')
    """
    listed = _symbols(row)
    return listed[0] if listed and re.fullmatch(r"X\d+X", row.keyset.upper()) else row.keyset


def cross_door(work: Work, cylinder: Cylinder, row: DoorRow | None, keyset: Keyset | None) -> None:
    """Have the row's further keys operate its cylinder, inside the caller's transaction."""
    if row is None or not row.operated_by:
        return
    above: set[str] = set()
    step = keyset
    while step is not None:
        above.add(step.symbol)
        step = step.parent
    further = [symbol for symbol in _symbols(row) if symbol not in above]
    if not further:
        return
    if keyset is None:
        raise LedgerError("doors", f"Row {row.row}, operated by: this cylinder is uncombinated.")
    work.session.flush()
    try:
        insert_operators(work, cylinder.id, further)
    except LedgerError as error:
        raise LedgerError("doors", f"Row {row.row}, operated by: {error.message}") from error


def _symbols(row: DoorRow) -> list[str]:
    return row.operated_by.replace(",", " ").upper().split()
