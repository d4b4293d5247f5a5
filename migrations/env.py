"""Alembic's entry: runs the migrations on the database that the caller names, or on the configured one."""

from __future__ import annotations

from typing import Any

from alembic import context
from sqlalchemy.types import TypeDecorator

from app.config import Config
from app.ledger.engine import make_engine
from app.ledger.models import Base


def plain_types(kind: str, item: Any, autogen_context: Any) -> str | bool:
    """Migrations name SQLAlchemy's own types: they must run long after our column types have changed."""
    if kind == "type" and isinstance(item, TypeDecorator):
        impl = item.impl_instance
        arguments = "timezone=True" if getattr(impl, "timezone", False) else f"length={getattr(impl, 'length', None)}"
        return f"sa.{type(impl).__name__}({arguments})"
    return False


url = context.config.attributes.get("url") or Config.from_environment().url
engine = make_engine(url)
with engine.connect() as connection:
    if connection.dialect.name == "sqlite":
        # Batch mode rebuilds tables; SQLite must not follow foreign keys while it does.
        connection.exec_driver_sql("PRAGMA foreign_keys=OFF")
        connection.commit()
    context.configure(
        connection=connection,
        target_metadata=Base.metadata,
        render_as_batch=True,
        compare_type=True,
        render_item=plain_types,
        transaction_per_migration=True,
    )
    with context.begin_transaction():
        context.run_migrations()
engine.dispose()
