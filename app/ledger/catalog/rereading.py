"""What a catalogue's cylinders are, read anew when their maker's part-number pattern has changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError
from app.fitting import BulkDecoder, Pattern, to_json
from app.ledger.tables import CatalogueItem, Maker

_TABLE: sa.Table = CatalogueItem.__table__  # type: ignore[assignment]  # declared wider than it is


@dataclass(frozen=True, slots=True)
class Reread:
    """How many cylinders are something else now, and the numbers that were understood and are not any more."""

    changed: int = 0
    unread: tuple[str, ...] = ()


def reread_catalogue(session: Session, maker: Maker, patterns: Sequence[Pattern]) -> Reread:
    """Put on record what each of the maker's cylinders is by these patterns, inside the caller's transaction.

    A number that they do not read stays in the catalogue and can be sold by its number; it only is not found any
    more by what it is.
    """
    session.flush()
    decoder = BulkDecoder(patterns)
    columns = (_TABLE.c.id, _TABLE.c.part_number, _TABLE.c.attributes, _TABLE.c.version)
    rows = session.execute(sa.select(*columns).where(_TABLE.c.maker_id == maker.id, _TABLE.c.category == "cylinder"))
    changes: list[dict[str, Any]] = []
    unread = []
    for row in rows.all():
        try:
            attributes = to_json(decoder.attributes(row.part_number, explain=False)) if patterns else {}
        except BitternError:
            attributes = {}
        if attributes == row.attributes:
            continue
        if not attributes:
            unread.append(row.part_number)
        changes.append({"row_id": row.id, "attributes": attributes, "version": row.version + 1})
    if changes:
        values: dict[str, sa.BindParameter[Any]] = {name: sa.bindparam(name) for name in ("attributes", "version")}
        session.execute(sa.update(_TABLE).where(_TABLE.c.id == sa.bindparam("row_id")).values(**values), changes)
        for held in session.identity_map.values():
            if isinstance(held, CatalogueItem):
                session.expire(held)
    return Reread(len(changes) - len(unread), tuple(sorted(unread)))
