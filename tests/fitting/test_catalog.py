"""Items of a catalog: read from plain values, and written as a table."""

import io
from typing import Any

import pytest
from openpyxl import load_workbook

from app.errors import BitternError
from app.fitting import CatalogItem, catalog_table
from app.fitting.catalog import read_item
from app.spreadsheets import csv_bytes, table_bytes


def test_a_formula_in_a_text_is_guarded_on_the_way_out() -> None:
    item = CatalogItem("=1+1", "Own Make", "hardware", "@SUM(A1)", 1, 2, True)
    assert b"\r\n'=1+1,hardware,'@SUM(A1),0.01,0.02,yes" in csv_bytes(catalog_table([item]))
    sheet = load_workbook(io.BytesIO(table_bytes("xlsx", "Catalog", catalog_table([item])))).active
    assert sheet is not None and sheet["A2"].data_type == "s"


ROW: dict[str, Any] = {
    "part_number": "A-1",
    "category": "hardware",
    "description": "Collar ring",
    "cost_cents": 120,
    "list_cents": 290,
    "stocked": True,
}


def test_an_item_keeps_its_cents() -> None:
    item = read_item(ROW, "Own Make")
    assert (item.maker, item.cost_cents, item.list_cents, item.stocked) == ("Own Make", 120, 290, True)
    assert item.attributes is None


@pytest.mark.parametrize(
    ("key", "bad"),
    [
        *(("part_number", bad) for bad in (None, "", 5, "A" * 61, "A\x00")),
        *(("cost_cents", bad) for bad in (None, -1, 1.5, True, 10**30, "1.20", float("nan"))),
        *(("list_cents", bad) for bad in ([], "one")),
        *(("stocked", bad) for bad in (None, 1, "yes")),
        ("category", "door"),
        ("category", ["hardware"]),
        ("description", "d" * 10_000),
    ],
)
def test_a_bad_value_of_an_item_is_named(key: str, bad: object) -> None:
    with pytest.raises(BitternError) as refusal:
        read_item({**ROW, key: bad}, "Own Make")
    assert refusal.value.field == key
    assert len(refusal.value.message) < 200
