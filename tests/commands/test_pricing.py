"""`bittern price decide`: the rule of thumb, the break-even against brute force, and bad input."""

import copy
import json
import random
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from app.cli import main
from app.commands.pricing import DECIDE_EXAMPLE as EXAMPLE
from app.pricing import BenchTerms, FactoryTerms, break_even
from tests.pricing import plain_scan
from tests.pricing.demo_terms import read_request_alone

TERMS = Path(__file__).resolve().parents[2] / "demo_data" / "terms"


def decide(given: Any) -> tuple[int, dict[str, Any]]:
    text = given if isinstance(given, str) else json.dumps(given)
    done = CliRunner().invoke(main, ["price", "decide", "-"], input=text)
    assert done.exception is None or isinstance(done.exception, SystemExit)
    return done.exit_code, json.loads(done.output)


def demo(count: int, **more: Any) -> dict[str, Any]:
    """An order on the demo's own terms, as the demo loads them."""
    given = copy.deepcopy(EXAMPLE)
    given["bench"] = json.loads((TERMS / "bench.json").read_text())
    given["factory"] = json.loads((TERMS / "factory_ard.json").read_text())
    return {**given, "cylinders": {"mortise": count}, **more}


def test_the_printed_example_works() -> None:
    printed = CliRunner().invoke(main, ["price", "decide", "--example"])
    code, answer = decide(printed.output)
    assert code == 0 and answer["choice"] in ("shop", "factory")


def test_one_grand_master_keyed_cylinder_is_keyed_in_the_shop() -> None:
    """Nobody sends one grand-master-keyed cylinder to the factory (common practice, no source)."""
    code, answer = decide(demo(1, kind="GMK"))
    assert (code, answer["choice"]) == (0, "shop")


def test_a_hundred_and_fifty_keyed_to_a_schedule_go_to_the_factory() -> None:
    """150 cylinders keyed to a schedule go there (common practice, no source)."""
    code, answer = decide(demo(150, kind="MK"))
    assert (code, answer["choice"]) == (0, "factory")
    assert any("less costly" in reason for reason in answer["reasons"])


@pytest.mark.parametrize("kind", ["KD", "KA", "SKD", "MK", "GMK", "GGMK"])
@pytest.mark.parametrize("file", sorted(path.name for path in TERMS.glob("factory_*.json")))
def test_the_break_even_agrees_with_a_scan_from_1_to_5000(kind: str, file: str) -> None:
    given = demo(1, kind=kind)
    given["factory"] = json.loads((TERMS / file).read_text())
    code, answer = decide(given)
    assert code == 0
    assert answer["break_even"] == plain_scan.break_even(given, 5_000)


@pytest.mark.parametrize("count", [1, 2, 11, 12, 13, 14, 49, 50, 149, 150, 151])
def test_the_totals_are_the_plain_sums(count: int) -> None:
    given = demo(count, kind="GMK")
    _, answer = decide(given)
    assert answer["shop"]["total_cents"] == plain_scan.bench_cost(given, count)
    assert answer["factory"]["total_cents"] == plain_scan.factory_cost(given, count)
    assert answer["shop"]["total_cents"] == sum(line["cents"] for line in answer["shop"]["lines"])


def random_order(rng: random.Random) -> dict[str, Any]:
    """Terms with steps, breaks and minimums anywhere, where the two costs cross early, late, twice or never."""
    kind = rng.choice(["KD", "KA", "MK", "GMK"])
    starts = sorted(rng.sample(range(2, 40), 2))
    return {
        "kind": kind,
        "cylinders": {"mortise": 1},
        "keys_per_cylinder": rng.randint(0, 4),
        "goods_cents_per_cylinder": rng.randint(0, 3000),
        "today": "2026-03-02",
        "bench": {
            "labour_cents_per_hour": rng.randint(0, 9000),
            "setup_minutes": {kind: rng.randint(0, 90)},
            "type_minutes": {"mortise": rng.randint(0, 12)},
            "kind_minutes": {kind: rng.randint(0, 12)},
            "checking_minutes": rng.randint(0, 5),
            "key_minutes": rng.randint(0, 4),
            "key_cut_cents": rng.randint(0, 60),
            "key_blank_cents": rng.randint(0, 90),
            "pins": {kind: rng.randint(0, 20)},
            "pin_cents": rng.randint(0, 9),
            "minutes_per_day": 480,
        },
        "factory": {
            "maker": "Ardent Brass",
            "setup_cents": {kind: rng.randint(0, 20000)},
            "per_cylinder_cents": {kind: rng.randint(0, 1500)},
            "per_key_cents": rng.randint(0, 200),
            "keys_included": rng.randint(0, 3),
            "min_cylinders": rng.choice([0, 0, 1, 6, 20, 70]),
            "min_order_cents": rng.choice([0, 0, 9000, 40000]),
            "quantity_breaks": [{"quantity_from": start, "percent_off": str(rng.randint(0, 60))} for start in starts],
            "freight": [{"quantity_from": start, "cents": rng.randint(0, 9000)} for start in (1, *starts)],
            "lead_working_days": rng.randint(0, 30),
        },
    }


def test_the_break_even_agrees_with_a_scan_on_ten_thousand_random_terms() -> None:
    rng = random.Random(6)
    seen: set[int | None] = set()
    for _ in range(10_000):
        given = random_order(rng)
        fields = {
            "kind": given["kind"],
            "cylinders": given["cylinders"],
            "keys": given["keys_per_cylinder"],
            "goods_cents": given["goods_cents_per_cylinder"],
            "today": given["today"],
        }
        bench, factory = BenchTerms.from_json(given["bench"]), FactoryTerms.from_json(given["factory"])
        found = break_even(read_request_alone(fields), bench, factory, 50).quantity
        assert found == plain_scan.break_even(given, 50), given
        seen.add(found)
    # The terms reach every corner: never, at once, and in between.
    assert {None, 1} <= seen and len(seen) > 30


def test_a_way_that_misses_the_day_is_dropped_and_says_so() -> None:
    _, answer = decide(demo(150, kind="MK", need_by="2026-03-20"))
    assert answer["choice"] == "shop"
    assert any("earliest date" in reason for reason in answer["factory"]["why_not"])
    _, answer = decide(demo(150, kind="MK", need_by="2026-03-03"))
    assert answer["choice"] is None and answer["remedy"]


def test_an_existing_system_is_extended_only_where_its_records_are() -> None:
    _, answer = decide(demo(150, kind="MK", system="existing", records="shop"))
    assert answer["shop"]["possible"]
    _, answer = decide(demo(5, kind="MK", system="existing", records="factory"))
    assert not answer["shop"]["possible"] and answer["choice"] != "shop"
    _, answer = decide(demo(150, kind="MK", system="existing", records="nobody"))
    assert answer["choice"] is None


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"kind": "QK"}, "kind"),
        ({"kind": True}, "kind"),
        ({"cylinders": {"mortise": -1}}, "cylinders.mortise"),
        ({"cylinders": {"mortise": 1.5}}, "cylinders.mortise"),
        ({"cylinders": {"mortise": 10**30}}, "cylinders.mortise"),
        ({"cylinders": {"mortise": True}}, "cylinders.mortise"),
        ({"cylinders": [1]}, "cylinders"),
        ({"cylinders": {}}, "cylinders"),
        ({"cylinders": {"hinge": 1}}, "cylinders.hinge"),
        ({"need_by": "2026-02-30"}, "need_by"),
        ({"need_by": "2020-01-01"}, "need_by"),
        ({"today": "yesterday"}, "today"),
        ({"bench": None}, "bench"),
        ({"bench": {}}, "bench.labour_cents_per_hour"),
        ({"factory": {"maker": "x" * 10_000}}, "factory.maker"),
        ({"no_such_field": 1}, "no_such_field"),
    ],
)
def test_bad_input_names_its_field(change: dict[str, Any], field: str) -> None:
    code, answer = decide({**demo(10), **change})
    assert code == 2
    assert answer["error"]["field"] == field
    assert len(answer["error"]["message"]) < 300


@pytest.mark.parametrize("text", ["", "[]", "nonsense", "null", '{"kind": NaN}', "[" * 100_000])
def test_what_is_no_object_is_refused(text: str) -> None:
    code, answer = decide(text)
    assert code == 2 and answer["error"]["message"]
