from datetime import date

import pytest

from app.errors import BitternError
from app.pricing import CylinderSource, CylinderType, KeyingKind, KeyingRequest, RecordsHolder, SystemAge
from tests.pricing.demo_terms import read_request_alone

GIVEN = {"kind": "MK", "cylinders": {"mortise": 6, "rim": 2}, "today": "2026-03-02"}


def test_two_keys_a_cylinder_unless_told_otherwise():
    assert read_request_alone(GIVEN).keys == 16
    assert read_request_alone(GIVEN | {"keys_per_cylinder": 3}).keys == 24
    assert read_request_alone(GIVEN | {"keys": 5}).keys == 5
    assert read_request_alone(GIVEN | {"goods_cents_per_cylinder": 100}).goods_cents == 800


def test_an_ask_is_read_whole():
    full = KeyingRequest(
        KeyingKind.GMK,
        {CylinderType.RIM: 3, CylinderType.SFIC: 0},
        7,
        date(2026, 3, 2),
        SystemAge.EXISTING,
        RecordsHolder.FACTORY,
        date(2026, 3, 30),
        12_345,
        CylinderSource.CUSTOMER,
        "AQ2",
    )
    given = {
        "kind": "GMK",
        "cylinders": {"rim": 3, "sfic": 0},
        "keys": 7,
        "today": "2026-03-02",
        "system": "existing",
        "records": "factory",
        "need_by": "2026-03-30",
        "goods_cents": 12_345,
        "source": "customer",
        "keyway": "AQ2",
    }
    assert read_request_alone(given) == full
    assert full.quantity == 3
    assert full.extends_records


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"kind": "XK"}, "kind"),
        ({"kind": None}, "kind"),
        ({"cylinders": {}}, "cylinders"),
        ({"cylinders": {"mortise": 0}}, "cylinders"),
        ({"cylinders": {"mortise": -1}}, "cylinders.mortise"),
        ({"cylinders": {"mortise": 1.5}}, "cylinders.mortise"),
        ({"cylinders": {"mortise": True}}, "cylinders.mortise"),
        ({"cylinders": {"mortise": 10**30}}, "cylinders.mortise"),
        ({"cylinders": {"mortise": 90_000, "rim": 90_000}}, "cylinders"),
        ({"cylinders": {"hinge": 1}}, "cylinders.hinge"),
        ({"cylinders": [1]}, "cylinders"),
        ({"keys": -1}, "keys"),
        ({"keys": 1, "keys_per_cylinder": 2}, "keys"),
        ({"set_up": 9}, "set_up"),  # of eight cylinders
        ({"set_up": -1}, "set_up"),
        ({"goods_cents": 1, "goods_cents_per_cylinder": 2}, "goods_cents"),
        ({"goods_cents": 10**30}, "goods_cents"),
        ({"today": "yesterday"}, "today"),
        ({"today": "0001-01-01"}, "today"),
        ({"today": "2026-3-2"}, "today"),
        ({"need_by": "2026-03-01"}, "need_by"),
        ({"need_by": 20260330}, "need_by"),
        ({"keyway": "x" * 10_000}, "keyway"),
        ({"keyway": "A\nB"}, "keyway"),
        ({"system": "old"}, "system"),
        ({"color": "red"}, "color"),
    ],
)
def test_bad_fields_are_named(change, field):
    with pytest.raises(BitternError) as refused:
        read_request_alone(GIVEN | change)
    assert refused.value.field == field
    assert len(refused.value.message) < 300


def test_the_value_itself_refuses_what_cannot_be():
    with pytest.raises(BitternError, match="keys"):
        KeyingRequest(KeyingKind.KD, {CylinderType.RIM: 1}, -1, date(2026, 3, 2))
    with pytest.raises(BitternError, match="cylinders"):
        KeyingRequest(KeyingKind.KD, {CylinderType.RIM: True}, 1, date(2026, 3, 2))


def test_only_master_keying_needs_an_existing_systems_records():
    for kind in KeyingKind:
        one = KeyingRequest(kind, {CylinderType.RIM: 1}, 2, date(2026, 3, 2), SystemAge.EXISTING)
        assert one.extends_records == kind.is_master_keyed
