"""After a deletion: the database's file written anew, so that no free page, log or index holds the old words."""

from datetime import datetime

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from app.ledger.store.engine import transaction
from app.ledger.tables import Deletion

_PATIENCE = "10s"


def is_scrubbed(session: Session) -> bool:
    """Whether the file was written anew after every deletion."""
    return session.scalar(sa.select(Deletion.id).where(Deletion.scrubbed_at.is_(None)).limit(1)) is None


def scrub(session: Session, now: datetime) -> bool:
    """Write the database anew without what was deleted; False where somebody who reads or writes keeps it.

    SQLite: the index of words is made anew, the file is copied without its free pages, the log is emptied.
    PostgreSQL: every table is written anew (VACUUM FULL); its own log is the server's to rotate.
    """
    session.rollback()  # a reader of one's own would be the one who keeps it
    engine = session.get_bind().engine
    try:
        is_done = _scrub_sqlite(engine) if engine.dialect.name == "sqlite" else _scrub_postgresql(engine)
    except DBAPIError:
        is_done = False
    if is_done:
        with transaction(session):
            session.execute(sa.update(Deletion).where(Deletion.scrubbed_at.is_(None)).values(scrubbed_at=now))
    return is_done


def _scrub_sqlite(engine: sa.Engine) -> bool:
    with engine.connect() as connection:
        connection.exec_driver_sql("ROLLBACK")  # SQLite writes its file anew outside of a transaction alone
        found = "SELECT name FROM sqlite_master WHERE name LIKE 'search_%' AND sql LIKE 'CREATE VIRTUAL TABLE%'"
        for (name,) in connection.exec_driver_sql(found).all():
            connection.exec_driver_sql(f"INSERT INTO {name}({name}) VALUES ('rebuild')")  # noqa: S608 - a table's name
        connection.exec_driver_sql("VACUUM")
        is_kept, *_ = connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)").one()
        connection.exec_driver_sql("BEGIN")  # what the driver is left in when the connection goes back
    return not is_kept


def _scrub_postgresql(engine: sa.Engine) -> bool:
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.exec_driver_sql(f"SET lock_timeout = '{_PATIENCE}'")
        connection.exec_driver_sql("VACUUM (FULL)")
        connection.exec_driver_sql("RESET lock_timeout")
    return True
