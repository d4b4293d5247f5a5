"""The break-even by brute force, written apart from the code under test: whole-number arithmetic on the raw terms."""

from decimal import ROUND_HALF_UP, Decimal
from typing import Any


def cents(exact: Decimal) -> int:
    return int(exact.quantize(Decimal(1), ROUND_HALF_UP))


def bench_cost(given: dict[str, Any], n: int) -> int:
    """What the bench costs for n mortise cylinders of a new system, line by line."""
    bench, kind = given["bench"], given["kind"]
    per_minute = Decimal(bench["labour_cents_per_hour"]) / 60
    keys = given["keys_per_cylinder"] * n
    minutes = bench["type_minutes"]["mortise"] + bench["kind_minutes"][kind] + bench["checking_minutes"]
    return (
        cents(bench["setup_minutes"].get(kind, 0) * per_minute)
        + cents(n * minutes * per_minute)
        + n * bench["pins"].get(kind, 0) * bench["pin_cents"]
        + cents(keys * (bench["key_minutes"] * per_minute + bench["key_cut_cents"]))
        + keys * bench["key_blank_cents"]
    )


def factory_cost(given: dict[str, Any], n: int) -> int:
    """What the factory costs for n cylinders of a new system, line by line."""
    terms, kind = given["factory"], given["kind"]
    off = Decimal(0)
    for step in terms["quantity_breaks"]:
        if n >= step["quantity_from"]:
            off = Decimal(step["percent_off"])
    freight = 0
    for step in terms["freight"]:
        if n >= step["quantity_from"]:
            freight = step["cents"]
    further = max(0, given["keys_per_cylinder"] - terms["keys_included"]) * n
    return (
        terms["setup_cents"].get(kind, 0)
        + cents(n * terms["per_cylinder_cents"][kind] * (100 - off) / 100)
        + further * terms["per_key_cents"]
        + freight
    )


def break_even(given: dict[str, Any], limit: int) -> int | None:
    """The smallest n at which the factory takes the order and costs no more."""
    terms = given["factory"]
    for n in range(1, limit + 1):
        if n < terms["min_cylinders"] or n * given["goods_cents_per_cylinder"] < terms["min_order_cents"]:
            continue
        if factory_cost(given, n) <= bench_cost(given, n):
            return n
    return None
