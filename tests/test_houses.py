"""A test's house is as it was made, whatever the test before did to its own."""

from pathlib import Path
from typing import Any, NamedTuple

import pytest
import sqlalchemy as sa

from app.config import Config
from app.ledger.care.opening import Ledger, open_ledger
from app.ledger.store.events import record
from app.ledger.store.work import Actor
from app.ledger.tables import Customer, Event, Role
from tests.conftest import NOW
from tests.houses import asked_of_postgresql, copy_house, remove_database, remove_guards

pytestmark = pytest.mark.database


def _rows(ledger: Ledger) -> dict[str, list[str]]:
    with ledger.engine.connect() as connection:
        tables = sa.inspect(connection).get_table_names()
        every = {table: sa.select(sa.text("*")).select_from(sa.table(table)) for table in tables}
        return {table: sorted(map(repr, connection.execute(rows))) for table, rows in every.items()}


def _write(ledger: Ledger) -> tuple[int, int]:
    """The ids of a customer and of an event that are put on record; what stood there before is changed."""
    with ledger.work(Actor(None, "the house", Role.OWNER), NOW) as work:
        work.session.execute(sa.text("UPDATE vault_checks SET check_value = 'another'"))
        customer = Customer(name="P. Wader", created_at=NOW)
        work.session.add(customer)
        event = record(work, "customer 1", "customer added", "P. Wader")
        work.session.commit()
        return customer.id, event.id


@pytest.mark.postgresql
@pytest.mark.parametrize("deed", ["rows", "guards"])
def test_what_a_test_did_is_gone_from_the_next_ones_house(empty_house: Path, tmp_path: Path, deed: str) -> None:
    seen: list[Any] = []
    for turn in range(3):
        config: Config = copy_house(empty_house, tmp_path / str(turn))
        ledger = open_ledger(config)
        before = _rows(ledger)
        seen.append((before, _write(ledger)))
        assert _rows(ledger) != before
        with ledger.engine.begin() as connection, pytest.raises(sa.exc.DBAPIError):
            connection.execute(sa.delete(Event))
        if deed == "guards":
            with ledger.engine.begin() as connection:
                remove_guards(connection)
                connection.execute(sa.delete(Event))
        left_open = ledger.engine.connect()  # a test that fails may leave one
        left_open.execute(sa.update(Customer).values(name="R. Avocet"))
        remove_database(config)
        left_open.invalidate()
        ledger.close()
    assert seen[1:] == seen[:1] * 2


class Case(NamedTuple):
    nodeid: str
    mark: str = ""

    def get_closest_marker(self, name: str) -> bool:
        return self.mark == name


def test_postgresql_is_asked_the_first_case_of_a_test_all_where_it_is_marked_and_what_a_marked_page_asks() -> None:
    items: list[Any] = [
        Case("tests/ledger/t.py::test_file[1]", "sqlite"),
        Case("tests/ledger/t.py::test_file[2]"),
        *(Case(f"tests/ledger/t.py::test_few[{number}]") for number in (1, 2)),
        *(Case(f"tests/ledger/t.py::test_each[{number}]", "postgresql") for number in (1, 2)),
        Case("tests/web/t.py::test_page"),
        Case("tests/web/t.py::test_page_that_asks_more", "postgresql"),
    ]
    assert [item.nodeid.partition("::")[2] for item in items if item in asked_of_postgresql(items)] == [
        "test_file[2]",
        "test_few[1]",
        "test_each[1]",
        "test_each[2]",
        "test_page_that_asks_more",
    ]
