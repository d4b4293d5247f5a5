"""`bittern price …`: shop or factory, from JSON to JSON."""

from __future__ import annotations

from datetime import date
from typing import Any

import click

from app.commands.jsonio import json_command
from app.errors import BitternError, Problems
from app.pricing import BREAK_EVEN_LIMIT, BenchTerms, FactoryTerms, Reader, decide, read_ask

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
        "labour_cents_per_hour": 5400,
        "setup_minutes": {"KD": 5, "KA": 10, "MK": 60, "GMK": 150, "GGMK": 240, "SKD": 10},
        "extension_minutes": 20,
        "type_minutes": {"mortise": 8, "rim": 7, "bored": 9, "sfic": 12, "lfic": 11},
        "kind_minutes": {"KD": 0, "KA": 0, "MK": 4, "GMK": 7, "GGMK": 10, "SKD": 1},
        "checking_minutes": 2,
        "key_minutes": "1.5",
        "key_cut_cents": 15,
        "key_blank_cents": 85,
        "pins": {"KD": 10, "KA": 10, "MK": 14, "GMK": 17, "GGMK": 20, "SKD": 10},
        "pin_cents": 4,
        "minutes_per_day": 360,
        "minutes_promised": 420,
        "uncombinated_on_hand": {"mortise": 40, "rim": 24, "bored": 20, "sfic": 12, "lfic": 6},
        "uncombinated_lead_days": 6,
        "closed_days": ["2026-05-25", "2026-07-03"],
    },
    "factory": {
        "maker": "Ardent Brass",
        "setup_cents": {"KD": 0, "KA": 1500, "MK": 9500, "GMK": 24000, "GGMK": 42000, "SKD": 1500},
        "extension_cents": 6500,
        "per_cylinder_cents": {"KD": 150, "KA": 200, "MK": 450, "GMK": 650, "GGMK": 900, "SKD": 250},
        "per_key_cents": 220,
        "keys_included": 2,
        "min_cylinders": 6,
        "min_order_cents": 25000,
        "quantity_breaks": [
            {"quantity_from": 50, "percent_off": 5},
            {"quantity_from": 100, "percent_off": 12},
        ],
        "freight": [
            {"quantity_from": 1, "cents": 1900},
            {"quantity_from": 25, "cents": 3400},
            {"quantity_from": 100, "cents": 6800},
            {"quantity_from": 400, "cents": 14500},
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
def decide_keying(given: dict[str, Any]) -> dict[str, Any]:
    """Key at the bench or at the factory? Costs both ways, the break-even quantity and the reasons.

    Reads one object: what is to be keyed, `bench` terms, `factory` terms or null. `today` may be left out.
    """
    read = Reader(given)
    ask = read_ask(read, date.today())
    limit = read.whole("limit", 1, 100_000, BREAK_EVEN_LIMIT)
    bench, factory = None, None
    try:
        bench = BenchTerms.from_json(read.raw("bench"), "bench")
    except Problems as found:
        read.problems.extend(found.problems)
    if read.has("factory"):
        try:
            factory = FactoryTerms.from_json(read.raw("factory"), "factory")
        except Problems as found:
            read.problems.extend(found.problems)
    read.done()
    if ask is None or bench is None:  # done() has raised already; this tells the type checker so
        raise BitternError("file", "The input could not be read. See --example.")
    return decide(ask, bench, factory, limit).to_json()
