"""The database connection: SQLite's safety settings, and the one way to write."""

from __future__ import annotations

__all__ = ["make_engine", "make_sessions", "transaction"]

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError, OperationalError
from sqlalchemy.orm import Session, sessionmaker
from sqlalchemy.orm.exc import StaleDataError

from app.ledger.errors import LedgerBusy, Stale, Taken

_WRITING = "bittern_writing"


def make_engine(url: str) -> sa.Engine:
    """An engine on `url`. SQLite: WAL, foreign keys on, busy_timeout 10 s, synchronous FULL.

    SQLite's own transaction handling is switched off in the driver, so that a writing transaction can start
    with BEGIN IMMEDIATE: what a use case reads before it writes is then still true when it writes.
    """
    engine = sa.create_engine(
        url, hide_parameters=True
    )  # what was being saved stays out of errors and so out of logs
    if engine.dialect.name == "sqlite":

        @sa.event.listens_for(engine, "connect")
        def _settings(connection: Any, record: Any) -> None:
            connection.isolation_level = None
            for pragma in ("journal_mode=WAL", "foreign_keys=ON", "busy_timeout=10000", "synchronous=FULL"):
                connection.execute(f"PRAGMA {pragma}")

        @sa.event.listens_for(engine, "begin")
        def _begin(connection: sa.Connection) -> None:
            writing = connection.get_execution_options().get(_WRITING)
            connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")

    return engine


def make_sessions(engine: sa.Engine) -> sessionmaker[Session]:
    """Sessions that keep loaded rows readable after a commit (pages render after the use case ends)."""
    return sessionmaker(engine, expire_on_commit=False)


@contextmanager
def transaction(session: Session) -> Iterator[Session]:
    """One use case, one transaction: committed at the end of the block, undone if it raises.

    Whatever the session read before is let go first, so the block sees the database as it is now. Raises
    Stale when somebody else saved the row first, Taken when a unique value exists already, LedgerBusy when
    another writer kept the database for too long.
    """
    session.rollback()
    try:
        session.connection(execution_options={_WRITING: True})
        yield session
        session.commit()
    except StaleDataError as error:
        session.rollback()
        raise Stale() from error
    except IntegrityError as error:
        session.rollback()
        raise Taken.from_database(str(error.orig)) from error
    except OperationalError as error:
        session.rollback()
        if "locked" in str(error.orig):
            raise LedgerBusy() from error
        raise
    except BaseException:
        session.rollback()
        raise
