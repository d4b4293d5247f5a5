"""Houses for tests: made once, copied for each test, in SQLite or in a PostgreSQL server made for the run.

With BITTERN_TEST_POSTGRESQL=yes a house's records are in a database of their own on the server that libpq's
variables (PGHOST, …) name; `make test` runs the marked tests once each way.
"""

from __future__ import annotations

import atexit
import itertools
import os
import shutil
from functools import cache
from pathlib import Path
from typing import Any

import psycopg
import sqlalchemy as sa
from psycopg import sql

from app.config import Config

ON_POSTGRESQL = os.environ.get("BITTERN_TEST_POSTGRESQL") == "yes"
_counter = itertools.count(1)
_NAMED = "database.name"  # the file in an instance folder that says which database is the house's


def new_house(folder: Path) -> Config:
    """The settings of a house in `folder` with an empty database, no table in it yet."""
    return _with_database(folder, template=None)


def copy_house(made: Path, to: Path) -> Config:
    """The settings of a copy, at `to`, of the house made in `made`; nobody may be using the original."""
    shutil.copytree(made, to)
    return _with_database(to, template=made)


def remove_database(config: Config) -> None:
    """Let go of a house's database on the server; a folder is pytest's to remove."""
    if ON_POSTGRESQL:
        _on_server(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(_database_of(config.instance)))


def remove_guards(connection: sa.Connection, table: str = "events") -> None:
    """What somebody with the database in hand could do: the triggers that refuse a change go first."""
    if connection.dialect.name == "sqlite":
        for deed in ("update", "delete"):
            connection.exec_driver_sql(f"DROP TRIGGER {table}_no_{deed}")
    else:
        connection.exec_driver_sql(f"DROP TRIGGER {table}_guard ON {table}")


def _with_database(folder: Path, template: Path | None) -> Config:
    if not ON_POSTGRESQL:
        return Config(instance=folder)
    name = f"bittern_{os.environ.get('PYTEST_XDIST_WORKER', 'gw')}_{next(_counter)}"
    source = _database_of(template) if template else sql.Identifier("template0")
    _on_server(sql.SQL("CREATE DATABASE {} TEMPLATE {} STRATEGY FILE_COPY").format(sql.Identifier(name), source))
    folder.mkdir(parents=True, exist_ok=True)
    (folder / _NAMED).write_text(name)
    return Config(instance=folder, database_url=f"postgresql+psycopg:///{name}")


def _database_of(folder: Path) -> sql.Identifier:
    return sql.Identifier((folder / _NAMED).read_text())


@cache
def _server() -> psycopg.Connection[tuple[Any, ...]]:
    """A connection for the run: one for each database made or removed took a third of the time of making it."""
    connection = psycopg.connect(autocommit=True)
    atexit.register(connection.close)
    return connection


def _on_server(statement: sql.Composed) -> None:
    _server().execute(statement)
