"""Rows that belong to a customer or a site, carried over to another one, and back again.

Which columns point to one is asked of the tables themselves, so that what a new table holds is not left behind.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.store.engine import in_steps
from app.ledger.tables import Base, Customer, FormerName, Site

Moved = Mapping[str, Sequence[int]]
"""Column, as 'jobs.customer_id' → the ids of the rows that were carried over, as an event keeps it."""
# What one that was merged was called stays with its own row, which leads on.
_STAYS = (FormerName.__tablename__,)


def owned_columns(owner: type[Customer | Site]) -> Iterator[sa.Column[Any]]:
    """Every column that points to a customer, or to a site."""
    for table in Base.metadata.sorted_tables:
        if table.name in _STAYS:
            continue
        for column in table.columns:
            if any(link.column.table.name == owner.__tablename__ for link in column.foreign_keys):
                yield column


def owned_rows(session: Session, owner: type[Customer | Site], owner_id: int) -> dict[str, list[int]]:
    """The ids of all that points to a customer or a site, by column; columns without any are left out."""
    found = {}
    for column in owned_columns(owner):
        key = next(iter(column.table.primary_key.columns))
        rows = session.scalars(sa.select(key).where(column == owner_id).order_by(key)).all()
        if rows:
            found[str(column)] = list(rows)
    return found


def carry(session: Session, owner: type[Customer | Site], rows: Moved, to: int) -> None:
    """Point these rows to another owner; whoever read one before is told so when saving. Flushes and expires."""
    session.flush()
    columns = {str(column): column for column in owned_columns(owner)}
    for name, ids in rows.items():
        column = columns[name]
        table = column.table
        key = next(iter(table.primary_key.columns))
        values: dict[str, Any] = {column.name: to}
        if "version" in table.c:
            values["version"] = table.c.version + 1
        for some in in_steps(ids):
            session.execute(sa.update(table).where(key.in_(some)).values(values))
    session.expire_all()


def gone_astray(session: Session, owner: type[Customer | Site], rows: Moved, at: int) -> list[str]:
    """Which of these rows are not with the owner they were carried to any more, as 'jobs 12'."""
    astray = []
    columns = {str(column): column for column in owned_columns(owner)}
    for name, ids in rows.items():
        column = columns[name]
        key = next(iter(column.table.primary_key.columns))
        here = set(session.scalars(sa.select(key).where(column == at)))
        astray += [f"{column.table.name} {one}" for one in ids if one not in here]
    return astray
