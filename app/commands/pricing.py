"""`bittern price …`: shop or factory, from JSON to JSON."""

from datetime import date
from typing import Any

import click

from app.commands.jsonio import json_command
from app.pricing import BREAK_EVEN_LIMIT, BenchTerms, FactoryTerms, decide, read_request
from app.validation import Reader

DECIDE_EXAMPLE: dict[str, Any] = {
    "kind": "GMK",
    "cylinders": {"mortise": 1},
    "keys_per_cylinder": 2,
    "goods_cents_per_cylinder": 4250,
    "system": "new",
    "records": "nobody",
    "source": "sold",
    "keyway": "AQ1",
    "today": "2026-03-02",
    "need_by": None,
    "limit": BREAK_EVEN_LIMIT,
    "bench": {
        "labour_cents_per_hour": 4600,
        "setup_minutes": {"MK": 45, "GMK": 90, "GGMK": 150},
        "extension_minutes": 20,
        "type_minutes": {"mortise": 6, "rim": 6, "bored": 8, "sfic": 7, "lfic": 9},
        "kind_minutes": {"KD": 2, "KA": 2, "SKD": 2, "MK": 5, "GMK": 7, "GGMK": 9, "NONE": 0},
        "checking_minutes": 2,
        "key_minutes": 1,
        "key_cut_cents": 8,
        "key_blank_cents": 45,
        "pins": {"KD": 12, "KA": 12, "SKD": 12, "MK": 16, "GMK": 19, "GGMK": 21},
        "pin_cents": 4,
        "minutes_per_day": 360,
        "minutes_promised": 0,
        "uncombinated_on_hand": {"mortise": 80, "rim": 60, "bored": 40, "sfic": 30, "lfic": 12},
        "uncombinated_lead_days": 6,
        "closed_days": ["2026-05-25", "2026-07-03"],
    },
    "factory": {
        "maker": "Ardent Brass",
        "setup_cents": {"MK": 9500, "GMK": 18500, "GGMK": 32000},
        "extension_cents": 4500,
        "per_cylinder_cents": {"KD": 150, "KA": 190, "SKD": 190, "MK": 340, "GMK": 420, "GGMK": 520},
        "per_key_cents": 60,
        "keys_included": 2,
        "min_cylinders": 12,
        "min_order_cents": 15000,
        "quantity_breaks": [{"quantity_from": 50, "percent_off": "10"}, {"quantity_from": 150, "percent_off": "20"}],
        "freight": [
            {"quantity_from": 1, "cents": 2800},
            {"quantity_from": 50, "cents": 6400},
            {"quantity_from": 150, "cents": 11800},
        ],
        "lead_working_days": 15,
        "closed_days": ["2026-05-25", "2026-07-03"],
        "holds_records": True,
        "takes_records": True,
        "factory_only_keyways": [],
        "authorised_keyways": ["AQ6"],
    },
}


@click.group()
def group() -> None:
    """Prices: where keying is done, and what it costs."""


@json_command(group, "decide", DECIDE_EXAMPLE)
def decide_keying(read: Reader) -> dict[str, Any]:
    """Key at the bench or at the factory? Costs both ways, the break-even quantity and the reasons.

    Reads one object: what is to be keyed, `bench` terms, `factory` terms or null. `today` may be left out.
    """
    ask = read_request(read, date.today())
    limit = read.whole("limit", 1, 100_000, BREAK_EVEN_LIMIT)
    bench = read.value("bench", BenchTerms.from_json)
    factory = read.optional("factory", FactoryTerms.from_json)
    read.done()
    return decide(ask, bench, factory, limit).to_json()
