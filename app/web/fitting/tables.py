"""What the Fit pages look up in the makers' tables, whoever's they are."""

from __future__ import annotations

from collections.abc import Mapping

from app.fitting import KeyBlank, LockModel
from app.ledger.catalog.maker_queries import MakerTables

Makers = Mapping[str, MakerTables]


def blanks_of(makers: Makers) -> list[KeyBlank]:
    """Every maker's key blanks."""
    return [blank for maker in makers.values() for blank in maker.blanks]


def locks_of(makers: Makers) -> list[LockModel]:
    """Every maker's locks."""
    return [lock for maker in makers.values() for lock in maker.locks]


def find_lock(makers: Makers, name: str | None) -> LockModel | None:
    """The lock of this name in any maker's table; None when there is none."""
    return next((lock for lock in locks_of(makers) if lock.name == name), None)
