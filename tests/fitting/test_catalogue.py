from __future__ import annotations

from typing import Any

import pytest

from app.errors import BitternError
from app.fitting import read_item

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
def test_a_bad_value_is_named(key: str, bad: object) -> None:
    with pytest.raises(BitternError) as refusal:
        read_item({**ROW, key: bad}, "Own Make", "items[7]")
    assert refusal.value.field == f"items[7].{key}"
    assert len(refusal.value.message) < 200
