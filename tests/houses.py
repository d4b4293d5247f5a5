"""Houses for tests: made once, copied for each test, in SQLite or in a PostgreSQL server made for the run.

With BITTERN_TEST_POSTGRESQL=yes a house's records are in a database of their own on the server that libpq's
variables (PGHOST, …) name; `make test` runs some tests once each way (DEVELOPERS.md says which).
"""

import atexit
import fcntl
import itertools
import os
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import psycopg
import pytest
import sqlalchemy as sa
from psycopg import sql

from app.config import Config
from app.ledger.care.opening import migrate
from app.ledger.store.engine import make_engine
from app.ledger.tables import Base
from tests.chance import drawn_for
from tests.reused import ReusedCopy

ON_POSTGRESQL = os.environ.get("BITTERN_TEST_POSTGRESQL") == "yes"
_counter = itertools.count(1)
_copies: dict[str, ReusedCopy] = {}  # those of this process, by name
_NAMED = "database.name"  # the file in an instance folder that says which database is the house's

_shared: Path | None = None  # where all processes of a run make and find houses; None: each in a folder of its own


def share_houses(folder: Path) -> None:
    """Make and find houses in `folder`, as every process of this run does."""
    global _shared
    _shared = folder


@cache
def _own_folder() -> tempfile.TemporaryDirectory[str]:
    return tempfile.TemporaryDirectory(prefix="bittern-houses-")  # removed when the process ends


def made_once(name: str, make: Callable[[Path], object]) -> Path:
    """The folder that `make(folder)` filled, once a run, in whichever process asked first; nobody writes in it."""
    folder = (_shared or Path(_own_folder().name)) / name / "instance"
    folder.parent.mkdir(exist_ok=True)
    done = folder.with_name("made")
    with folder.with_name("lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not done.exists():
            shutil.rmtree(folder, ignore_errors=True)  # half made by one that failed
            with drawn_for(name):
                make(folder)
            done.touch()
    return folder


def sqlite_house() -> Path:
    """An instance folder of a migrated house on SQLite, whatever the others are on; to be copied."""
    return made_once("on SQLite", lambda folder: migrate(Config(instance=folder)))


def new_house(folder: Path) -> Config:
    """The settings of a house in `folder` with an empty database, no table in it yet."""
    return _with_database(folder, template=None)


def copy_house(made: Path, to: Path) -> Config:
    """The settings of a copy, at `to`, of the house made in `made`; nobody may be using the original."""
    shutil.copytree(made, to)
    return _with_database(to, template=made)


def taken_over(config: Config) -> Config:
    """The settings of a house that was made on SQLite, its records now in a database of its own on the server."""
    if not ON_POSTGRESQL:
        return config
    moved = replace(config, database_url=f"postgresql+psycopg:///{_make('template0')}")
    (config.instance / _NAMED).write_text(moved.url.rpartition("/")[2])
    migrate(moved)
    before, after = make_engine(config.url), make_engine(moved.url)
    with before.connect() as old, after.begin() as new:
        new.exec_driver_sql("SET LOCAL session_replication_role = replica")  # no trigger, no foreign key
        for table in Base.metadata.sorted_tables:
            rows = old.execute(sa.select(table)).mappings().all()
            new.execute(table.delete())
            if rows:
                new.execute(table.insert(), [dict(row) for row in rows])
            if rows and "id" in table.c and (sequence := _sequence(new, table)):  # or the next row would be number 1
                new.execute(sa.select(sa.func.setval(sequence, sa.select(sa.func.max(table.c.id)).scalar_subquery())))
    before.dispose()
    after.dispose()
    return moved


def _sequence(connection: sa.Connection, table: sa.Table) -> str | None:
    """What numbers a table's rows on PostgreSQL; None where their ids are no numbers of their own."""
    found: str | None = connection.scalar(sa.select(sa.func.pg_get_serial_sequence(table.name, "id")))
    return found


def remove_database(config: Config) -> None:
    """Let go of a house's database on the server; a folder is pytest's to remove."""
    if not ON_POSTGRESQL:
        return
    name = _name_of(config.instance)
    copy = _copies.get(name)
    if copy is None or not copy.put_back():
        _copies.pop(name, None)
        _on_server(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name)))


def asked_of_postgresql(items: list[pytest.Item]) -> set[pytest.Item]:
    """The tests that run on PostgreSQL too: each case of what is marked `postgresql`, else the first, of no page.

    A page asks the ledger what the ledger's own tests ask; one that asks more has the mark.
    """
    asked: dict[str, pytest.Item] = {}
    for item in items:
        name = item.nodeid.partition("[")[0]
        if item.get_closest_marker("postgresql"):
            asked[item.nodeid] = item
        elif not name.startswith("tests/web/") and not item.get_closest_marker("sqlite"):
            asked.setdefault(name, item)
    return set(asked.values())


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
    name = _copy_of(_name_of(template)) if template else _make("template0")
    folder.mkdir(parents=True, exist_ok=True)
    (folder / _NAMED).write_text(name)
    return Config(instance=folder, database_url=f"postgresql+psycopg:///{name}")


def _name_of(folder: Path) -> str:
    return (folder / _NAMED).read_text()


def _copy_of(template: str) -> str:
    for name, copy in _copies.items():
        if copy.is_idle and copy.template == template:
            copy.is_idle = False
            return name
    name = _make(template)
    _copies[name] = ReusedCopy(name, template)
    return name


def _make(template: str) -> str:
    name = f"bittern_{os.environ.get('PYTEST_XDIST_WORKER', 'gw')}_{next(_counter)}"
    statement = sql.SQL("CREATE DATABASE {} TEMPLATE {} STRATEGY FILE_COPY")
    _on_server(statement.format(sql.Identifier(name), sql.Identifier(template)))
    return name


@cache
def _server() -> psycopg.Connection[tuple[Any, ...]]:
    """A connection for the run: one for each database made or removed took a third of the time of making it."""
    connection = psycopg.connect(autocommit=True)
    atexit.register(connection.close)
    return connection


def _on_server(statement: sql.Composed) -> None:
    _server().execute(statement)
