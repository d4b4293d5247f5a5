"""Costs worked out a second time, from the terms' JSON alone, with Python's decimal doing the rounding."""

import random
from decimal import ROUND_HALF_UP, Decimal, localcontext
from fractions import Fraction

KINDS = ["KD", "KA", "MK", "GMK", "GGMK", "SKD"]
MASTERED = {"MK", "GMK", "GGMK"}
TYPES = ["mortise", "rim", "bored", "sfic", "lfic"]


def cents(exact):
    """Half-up to the cent, by decimal at a precision that holds every fraction met here exactly enough."""
    with localcontext() as context:
        context.prec = 60
        # A fraction that is not exactly a half never rounds to one at 60 digits with denominators this small.
        return int(
            (Decimal(exact.numerator) / Decimal(exact.denominator)).quantize(Decimal(1), rounding=ROUND_HALF_UP)
        )


def shop_cents(ask, bench, quantity):
    kind, count = ask["kind"], sum(ask["cylinders"].values())
    minute = Fraction(bench["labour_cents_per_hour"]) / 60
    ratio = Fraction(quantity, count)
    extends = ask["system"] == "existing" and kind in MASTERED
    setup = Fraction(bench["extension_minutes"] if extends else bench["setup_minutes"].get(kind, 0))
    pinning = sum(
        number * (Fraction(bench["type_minutes"][one]) + Fraction(bench["kind_minutes"][kind]))
        for one, number in ask["cylinders"].items()
    )
    pinning = (pinning + count * Fraction(bench["checking_minutes"])) * ratio
    keys = ask["keys"] * ratio
    cutting = keys * (Fraction(bench["key_minutes"]) * minute + bench["key_cut_cents"])
    return (
        cents(setup * minute)
        + cents(pinning * minute)
        + quantity * bench["pins"].get(kind, 0) * bench["pin_cents"]
        + cents(cutting)
        + cents(keys * bench["key_blank_cents"])
    )


def factory_cents(ask, factory, quantity):
    kind, count = ask["kind"], sum(ask["cylinders"].values())
    extends = ask["system"] == "existing" and kind in MASTERED
    cost = factory["extension_cents"] if extends else factory["setup_cents"].get(kind, 0)
    percent = Fraction(0)
    for step in factory["quantity_breaks"]:
        if quantity >= step["quantity_from"]:
            percent = Fraction(step["percent_off"])
    cost += cents(quantity * factory["per_cylinder_cents"][kind] * (100 - percent) / 100)
    further = Fraction(ask["keys"] * quantity, count) - quantity * factory["keys_included"]
    cost += cents(max(Fraction(0), further) * factory["per_key_cents"])
    cost -= cents(max(Fraction(0), -further) * factory.get("untaken_key_cents", 0))
    freight = 0
    for step in factory["freight"]:
        if quantity >= step["quantity_from"]:
            freight = step["cents"]
    return cost + freight


def factory_takes(ask, factory, quantity):
    if quantity < factory["min_cylinders"]:
        return False
    if ask["goods_cents"] is None:
        return True
    count = sum(ask["cylinders"].values())
    return cents(Fraction(ask["goods_cents"] * quantity, count)) >= factory["min_order_cents"]


def better_at_factory(ask, bench, factory, quantity):
    return factory_takes(ask, factory, quantity) and factory_cents(ask, factory, quantity) <= shop_cents(
        ask, bench, quantity
    )


def random_case(chance: random.Random):
    """An ask and terms of both sides as JSON, wild enough for steps, gaps, ties and never."""
    kind = chance.choice(KINDS)
    cylinders = {one: chance.randint(1, 30) for one in chance.sample(TYPES, chance.choice([1, 1, 1, 2, 3]))}
    count = sum(cylinders.values())
    ask = {
        "kind": kind,
        "cylinders": cylinders,
        "keys": chance.choice([0, 2 * count, 2 * count, 4 * count, chance.randint(0, 90)]),
        "today": "2026-03-02",
        "system": chance.choice(["new", "existing"]),
        "records": "shop",
        "goods_cents": chance.choice([None, chance.randint(0, 6000) * count]),
    }
    minutes = [0, 1, 2, "2.5", "0.75", 6, 11, "7.33"]
    bench = {
        "labour_cents_per_hour": chance.randint(0, 9000),
        "setup_minutes": {one: chance.randint(0, 240) for one in KINDS},
        "extension_minutes": chance.randint(0, 60),
        "type_minutes": {one: chance.choice(minutes) for one in TYPES},
        "kind_minutes": {one: chance.choice(minutes) for one in KINDS},
        "checking_minutes": chance.choice(minutes),
        "key_minutes": chance.choice(minutes),
        "key_cut_cents": chance.randint(0, 60),
        "key_blank_cents": chance.randint(0, 300),
        "pins": {one: chance.randint(0, 24) for one in KINDS},
        "pin_cents": chance.randint(0, 6),
        "minutes_per_day": 360,
        "uncombinated_lead_days": 5,
    }
    starts = sorted(chance.sample(range(1, 60), 3))
    factory = {
        "maker": "Ardent Brass",
        "setup_cents": {one: chance.choice([0, chance.randint(0, 40000)]) for one in KINDS},
        "extension_cents": chance.randint(0, 9000),
        "per_cylinder_cents": {one: chance.randint(0, 2500) for one in KINDS},
        "per_key_cents": chance.randint(0, 400),
        "keys_included": chance.choice([0, 2, 2]),
        "min_cylinders": chance.choice([0, 0, chance.randint(0, 30)]),
        "min_order_cents": chance.choice([0, chance.randint(0, 90000)]),
        "quantity_breaks": [
            {"quantity_from": start, "percent_off": chance.choice(["0", "5", "7.5", "12.25", "100"])}
            for start in starts[: chance.randint(0, 3)]
        ],
        "freight": [
            {"quantity_from": start, "cents": chance.randint(0, 12000)}
            for start in sorted(chance.sample(range(1, 60), chance.randint(0, 4)))
        ],
        "lead_working_days": 15,
        "takes_records": True,
        "untaken_key_cents": chance.choice([0, chance.randint(0, 300)]),
    }
    return ask, bench, factory
