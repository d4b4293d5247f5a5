"""give no door's or cylinder's number twice: on SQLite the number of the last one came back once its row was gone

Events name doors and cylinders by their numbers, so a new door took over the story of one that was merged away or
taken back. PostgreSQL's sequences never go back.

Revises: 0009
"""

from __future__ import annotations

import json

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"

TABLES = ("doors", "cylinders")


def upgrade() -> None:
    if op.get_bind().dialect.name != "sqlite":
        return
    for table in TABLES:
        with op.batch_alter_table(table, recreate="always", table_kwargs={"sqlite_autoincrement": True}):
            pass
    connection = op.get_bind()
    for table, last in _told().items():
        here = sa.table("sqlite_sequence", sa.column("name"), sa.column("seq"))
        now = connection.scalar(sa.select(here.c.seq).where(here.c.name == table)) or 0
        op.execute(here.delete().where(here.c.name == table))  # a table without a row has none
        op.execute(here.insert().values(name=table, seq=max(now, last)))


def _told() -> dict[str, int]:
    """The highest number of each table that an event names: those above the last row's are of rows that are gone."""
    last = dict.fromkeys(TABLES, 0)
    rows = op.get_bind().execute(
        sa.text("SELECT detail FROM events WHERE kind IN ('door list read', 'doors merged', 'merge taken back')")
    )
    for (detail,) in rows:
        told = json.loads(detail)
        last["doors"] = max(last["doors"], *told.get("added", ()), told.get("gone", 0))
        last["cylinders"] = max([last["cylinders"], *map(int, told.get("cylinders", ()))])
    return last


def downgrade() -> None:
    if op.get_bind().dialect.name != "sqlite":
        return
    for table in TABLES:
        with op.batch_alter_table(table, recreate="always", table_kwargs={"sqlite_autoincrement": False}):
            pass
