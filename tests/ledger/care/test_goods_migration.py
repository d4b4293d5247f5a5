"""A house of two books, a catalog and a stock with a price book beside them, comes up with one book of goods."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from alembic import command

from app.config import Config
from app.ledger.care.opening import alembic_config
from app.ledger.store.engine import make_engine
from tests.houses import new_house, remove_database


@pytest.fixture
def config(tmp_path: Path) -> Iterator[Config]:
    """A house's place with nothing in it."""
    config = new_house(tmp_path)
    yield config
    remove_database(config)


TABLES = {
    "patterns": [],
    "key_blanks": [{"number": "AK-1", "keyways": ["AQ1"]}, {"number": "AK-2", "keyways": ["AQ2"]}],
    "cams": [{"name": "standard", "part_number": "AC-1"}, {"name": "long", "part_number": ""}],
}
ATTRIBUTES = {"type": "mortise", "finish": "626"}


def rows(connection: sa.Connection, table: str, key: str, *columns: str) -> dict[Any, tuple[Any, ...]]:
    """A table's rows by one column."""
    asked = sa.text(f"SELECT {key}, {', '.join(columns)} FROM {table} ORDER BY id")  # noqa: S608
    return {row[0]: tuple(row[1:]) for row in connection.execute(asked)}


def two_books(connection: sa.Connection) -> None:
    """A cylinder of the catalog that was counted, a ring that was not, a blank of the stock alone, three prices."""
    made = sa.MetaData()
    made.reflect(connection, only=["makers", "catalogue_items", "stock_items", "stock_movements", "price_rows"])

    def put(name: str, *values: dict[str, Any]) -> None:
        connection.execute(sa.insert(made.tables[name]), list(values))

    ordering = {"address": "", "email": "", "account_number": "", "minimum_cents": 0, "finish_leads": {}}
    put("makers", {"id": 1, "code": "ARD", "name": "Ardent", "tables": TABLES, "version": 1, **ordering})
    sold = {"maker_id": 1, "cost_cents": 1500, "list_cents": 3000, "is_stocked": True, "version": 1}
    put(
        "catalogue_items",
        {**sold, "part_number": "A18", "category": "cylinder", "description": "Mortise", "attributes": ATTRIBUTES},
        {**sold, "part_number": "R-18", "category": "hardware", "description": "Trim ring 1/8", "attributes": {}},
        {**sold, "part_number": "AC-1", "category": "hardware", "description": "Standard", "attributes": {}},
    )
    kept = {
        "cylinder_type": "",
        "finish": "",
        "cost_cents": 0,
        "pack_size": 1,
        "bin": "",
        "barcode": "",
        "version": 1,
    }
    put(
        "stock_items",
        {**kept, "id": 7, "maker_id": 1, "code": "A18", "kind": "part", "words": "as before", "bin": "B-1"},
        {**kept, "id": 8, "maker_id": 1, "code": "AK-1", "kind": "blank", "words": "Our blank", "bin": ""},
        {**kept, "id": 9, "maker_id": 1, "code": "AK-1", "kind": "part", "words": "the same number", "bin": ""},
        {**kept, "id": 10, "maker_id": None, "code": "mortise", "kind": "unpinned", "words": "Bare", "bin": ""},
    )
    came = {"place_id": 1, "kind": "counted", "reserved": 0, "at": datetime(2026, 1, 5, tzinfo=UTC), "why": "counted"}
    put("stock_movements", {**came, "item_id": 7, "on_hand": 12}, {**came, "item_id": 10, "on_hand": 3})
    price = {"cost_cents": 100, "tier": "", "quantity_from": 1, "valid_from": datetime(2026, 1, 1, tzinfo=UTC).date()}
    put(
        "price_rows",
        {**price, "code": "A18", "description": "x", "category": "y", "kind": "goods", "unit_cents": 2800},
        {
            **price,
            "code": "TRIP",
            "description": "Our trip",
            "category": "trip",
            "kind": "labour",
            "unit_cents": 8500,
        },
        {**price, "code": "HOOKS", "description": "Hooks", "category": "misc", "kind": "goods", "unit_cents": 900},
    )


@pytest.mark.filterwarnings("ignore:Skipped unsupported reflection of expression-based index search_")
def test_what_stood_in_two_books_stands_in_one_and_goes_back_into_two(config: Config) -> None:
    at = alembic_config(config.url)
    command.upgrade(at, "0033")
    engine = make_engine(config.url)
    with engine.begin() as connection:
        two_books(connection)
    command.upgrade(at, "head")
    with engine.connect() as connection:
        items = rows(
            connection, "items", "code", "id", "kind", "category", "words", "list_cents", "bin", "is_counted"
        )
        assert items["A18"] == (7, "part", "cylinder", "Mortise", 3000, "B-1", True)
        assert items["R-18"][1:] == ("ring", "hardware", "Trim ring 1/8", 3000, "", False)
        assert items["AC-1"][1:4] == ("cam", "hardware", "Standard")
        assert items["AK-1"] == (8, "blank", "key_blank", "Our blank", None, "", False)
        assert items["AK-1 (part 9)"][0] == 9  # one number stood there as two kinds
        assert items["AK-2"][1:4] == ("blank", "key_blank", "Key blank, AQ2")
        assert items["mortise"][:2] == (10, "unpinned") and items["mortise"][-1]
        assert items["TRIP"][1:4] == ("labor", "trip", "Our trip")
        assert items["HOOKS"][1:4] == ("goods", "misc", "Hooks")
        assert items["KEYING-MK"][1:5] == ("labor", "keying", "Keying a cylinder under a master", None)
        finish = connection.scalar(sa.text("SELECT cylinder_type FROM items WHERE code = 'A18'"))
        assert finish == "mortise"
        assert rows(connection, "price_rows", "code", "unit_cents") == {
            "A18": (2800,),
            "TRIP": (8500,),
            "HOOKS": (900,),
        }
    command.downgrade(at, "0033")
    with engine.connect() as connection:
        sold = rows(connection, "catalogue_items", "part_number", "category", "description", "list_cents")
        assert sold["A18"] == ("cylinder", "Mortise", 3000) and set(sold) == {"A18", "R-18", "AC-1"}
        stock = rows(connection, "stock_items", "code", "id", "kind", "bin")
        assert stock["A18"] == (7, "part", "B-1") and "KEYING-MK" not in stock
        prices = rows(connection, "price_rows", "code", "description", "category", "kind")
        assert prices["TRIP"] == ("Our trip", "trip", "labour") and prices["A18"] == ("Mortise", "cylinder", "goods")
        moved = rows(connection, "stock_movements", "item_id", "on_hand")
        assert moved == {7: (12,), 10: (3,)}
    engine.dispose()
