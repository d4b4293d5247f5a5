"""Alembic's entry: runs the migrations on the database that the caller names, or on the configured one."""

from __future__ import annotations

import re
import warnings
from functools import partialmethod
from typing import Any

import sqlalchemy as sa
from alembic import context
from alembic.operations import Operations
from sqlalchemy.types import TypeDecorator

from app.config import Config
from app.ledger.search.words import is_modelled
from app.ledger.store.engine import engine_on
from app.ledger.tables import Base


def plain_types(kind: str, item: Any, autogen_context: Any) -> str | bool:
    """Migrations name SQLAlchemy's own types: they must run long after our column types have changed."""
    if kind == "type" and isinstance(item, TypeDecorator):
        impl = item.impl_instance
        arguments = "timezone=True" if getattr(impl, "timezone", False) else f"length={getattr(impl, 'length', None)}"
        return f"sa.{type(impl).__name__}({arguments})"
    if kind == "type" and isinstance(item, sa.Text):
        return "sa.Text()"
    return False


def keep_own(connection: sa.Connection) -> None:
    """SQLite drops a table's triggers with it, and batch mode rebuilds a table by dropping it: put them back after.

    So what is never changed stays guarded, and what is searched stays in step. An index of our own is made anew as
    it was made first: batch mode would forget how it compares letters, or all of it where it is of an expression.
    """
    kept: dict[str, list[str]] = {}

    @sa.event.listens_for(connection, "before_cursor_execute", retval=True)
    def _remember(connection: Any, cursor: Any, statement: str, parameters: Any, *rest: Any) -> tuple[str, Any]:
        dropped = re.match(r'DROP TABLE "?(\w+)"?', statement.strip())
        if dropped:
            found = "SELECT type, name, sql FROM sqlite_master WHERE tbl_name = ? AND sql <> ''"
            made = connection.connection.execute(found, (dropped[1],)).fetchall()
            own = {name: sql for kind, name, sql in made if kind == "index" and name.startswith("search_")}
            kept[dropped[1]] = [*own.values(), *(sql for kind, _, sql in made if kind == "trigger")]
        again = re.match(r'CREATE INDEX "?(search_\w+)"?', statement.strip())
        there = "SELECT 1 FROM sqlite_master WHERE type = 'index' AND name = ?"
        if again and connection.connection.execute(there, (again[1],)).fetchone():
            return "SELECT 1", parameters
        return statement, parameters

    @sa.event.listens_for(connection, "after_cursor_execute")
    def _put_back(connection: Any, cursor: Any, statement: str, *rest: Any) -> None:
        renamed = re.match(r'ALTER TABLE "?_alembic_tmp_(\w+)"? RENAME TO', statement.strip())
        for sql in kept.pop(renamed[1], ()) if renamed else ():
            connection.connection.execute(sql)


if "batch_alter_table" not in vars(Operations):  # this file is read for each upgrade
    # A table that is rebuilt is read without those that it points to, and theirs: half of an upgrade's time went there.
    Operations.batch_alter_table = partialmethod(Operations.batch_alter_table, reflect_kwargs={"resolve_fks": False})
url = context.config.attributes.get("url") or Config.from_environment().url
with engine_on(url) as engine, engine.connect() as connection:
    if connection.dialect.name == "sqlite":
        # Batch mode rebuilds tables; SQLite must not follow foreign keys while it does. It hears that only outside
        # a transaction, and SQLAlchemy begins one with its first statement: so the driver is told.
        driver: Any = connection.connection.driver_connection
        driver.execute("PRAGMA foreign_keys=OFF")
        keep_own(connection)
    context.configure(
        connection=connection,
        target_metadata=Base.metadata,
        render_as_batch=True,
        compare_type=True,
        render_item=plain_types,
        include_name=is_modelled,
        # PostgreSQL undoes a change of tables; an upgrade asks it for all or nothing.
        transaction_per_migration=not context.config.attributes.get("all_or_nothing"),
    )
    with context.begin_transaction(), warnings.catch_warnings():
        # Those are ours: `keep_own` sees to them.
        warnings.filterwarnings("ignore", "Skipped unsupported reflection of expression-based index search_")
        context.run_migrations()
