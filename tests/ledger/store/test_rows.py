"""Plain rows are read in the session's own transaction, after what waits in it was written."""

from __future__ import annotations

import sqlalchemy as sa

from app.ledger.store.rows import read
from app.ledger.store.work import Work
from app.ledger.tables import Customer

NAMES = sa.select(Customer.name).where(Customer.name == sa.bindparam("name"))


def test_what_waits_is_read_and_what_is_undone_is_not(work: Work) -> None:
    work.session.add(Customer(name="Grebe Chandlery", created_at=work.now))
    assert [tuple(row) for row in read(work.session, NAMES, {"name": "Grebe Chandlery"})] == [("Grebe Chandlery",)]
    work.session.rollback()
    assert read(work.session, NAMES, {"name": "Grebe Chandlery"}) == []


def test_where_the_session_does_not_write_by_itself_nothing_is_written(work: Work) -> None:
    with work.session.no_autoflush:
        work.session.add(Customer(name="Grebe Chandlery", created_at=work.now))
        assert read(work.session, NAMES, {"name": "Grebe Chandlery"}) == []
    work.session.rollback()
