"""`bittern keying …`: count, progress, pin, audit and symbols; JSON in, JSON out."""

from __future__ import annotations

from itertools import islice
from typing import Any

import click

from app import keying
from app.commands.jsonio import json_command
from app.keying.given import entries, object_fields, short, symbol_text, whole
from app.keying.spec import read_keys

MOST_LISTED = 1_000_000
MOST_KEYS = 100_000

_SPEC = {"chambers": 6, "depths": 10, "first_depth": 0, "macs": 7, "step": 2}


@click.group()
def group() -> None:
    """Count, progress, pin and audit bittings, and make key symbols."""


@json_command(group, "count", {"spec": _SPEC})
def count(given: dict[str, Any]) -> dict[str, Any]:
    """Count all bittings of a spec, and those within its MACS."""
    spec = object_fields(given, "", ("spec",), ("spec",))["spec"]
    if isinstance(spec, dict):
        object_fields(spec, "spec", tuple(keying.BittingSpec.__dataclass_fields__), ("chambers", "depths", "macs"))
        # Counting is exact at any size, so it also takes what no cylinder has.
        chambers = whole(spec["chambers"], "spec.chambers", 1, 1000)
        depths = whole(spec["depths"], "spec.depths", 2, 256)
        macs = whole(spec["macs"], "spec.macs", 0, 255)
        if not (3 <= chambers <= 12 and depths <= 16):
            return {"theoretical": depths**chambers, "usable": keying.count_bittings(chambers, depths, macs)}
    read = keying.BittingSpec.from_json(spec, ("chambers", "depths", "macs"))
    return {"theoretical": keying.theoretical(read), "usable": keying.usable(read)}


@json_command(group, "progress", {"spec": _SPEC, "tmk": "417250", "array": None, "order": None, "limit": 8})
def progress(given: dict[str, Any]) -> dict[str, Any]:
    """List the changes under a master by total position progression, within MACS, in sequence."""
    fields = object_fields(given, "", ("spec", "tmk", "array", "order", "limit"), ("spec", "tmk"))
    spec = keying.BittingSpec.from_json(fields["spec"], ("chambers", "depths", "macs", "step"))
    tmk = keying.read_bitting(spec, fields["tmk"], "tmk")
    columns = None if fields.get("array") is None else _read_array(spec, fields["array"])
    order = None if fields.get("order") is None else entries(fields["order"], "order", 100)
    limit = None if fields.get("limit") is None else whole(fields["limit"], "limit", 0, MOST_LISTED)
    found = keying.progress(spec, tmk, columns, order)
    listed = found.usable if limit is None else min(limit, found.usable)
    if listed > MOST_LISTED:
        raise keying.KeyingError(
            "limit", f"{found.usable:,} bittings are usable; set a limit of {MOST_LISTED:,} or less."
        )
    return {
        "array": [[_depth(depth) for depth in column] for column in found.columns],
        "theoretical": found.theoretical,
        "usable": found.usable,
        "bittings": [keying.write_bitting(spec, bitting) for bitting in islice(found, listed)],
    }


def _depth(depth: int) -> str:
    return f"{depth:X}"


def _read_array(spec: keying.BittingSpec, value: object) -> list[tuple[int, ...]]:
    columns = entries(value, "array", 100)
    read = []
    for chamber, column in enumerate(columns, start=1):
        depths = []
        for text in entries(column, "array", 100):
            if not isinstance(text, str) or len(text) != 1 or text.upper() not in "0123456789ABCDEF":
                raise keying.KeyingError(
                    "array", f"Chamber {chamber}: write each depth as one character, 0-9 or A-F."
                )
            depths.append(int(text, 16))
        read.append(tuple(depths))
    return read


@json_command(
    group,
    "pin",
    {
        "spec": {"chambers": 6, "depths": 10, "stack_total": 23, "control_offset": 10, "min_master_pin": 2},
        "keys": {"TMK": "417250", "AA1": "293814"},
        "control": "860529",
    },
)
def pin(given: dict[str, Any]) -> dict[str, Any]:
    """Give the pins of a cylinder for the keys that operate it, and how many bittings they let in."""
    fields = object_fields(given, "", ("spec", "keys", "control"), ("spec", "keys"))
    spec = keying.BittingSpec.from_json(fields["spec"])
    keys = _read_keys(spec, fields["keys"])
    control = None if fields.get("control") is None else keying.read_bitting(spec, fields["control"], "control")
    found = keying.pin(spec, keys, control)
    return {
        "chambers": [
            {"bottom": pins.bottom, "masters": list(pins.masters), "buildup": pins.buildup, "top": pins.top}
            for pins in found.chambers
        ],
        "combinations": found.combinations,
        "intended": found.intended,
        "phantom": found.phantom,
        "warnings": list(found.warnings),
    }


def _read_keys(spec: keying.BittingSpec, value: object) -> dict[str, keying.Bitting]:
    if not isinstance(value, dict) or not value or len(value) > MOST_KEYS:
        raise keying.KeyingError("keys", f"Give 1 to {MOST_KEYS:,} keys as an object of symbol and bitting.")
    for symbol in value:
        symbol_text(symbol, "keys")
    return read_keys(spec, value, "keys")


@json_command(
    group,
    "audit",
    {
        "spec": {"chambers": 6, "depths": 10},
        "keys": {"AA": "416352", "1AA": "436352", "2AA": "418352", "3AA": "416552"},
        "cylinders": {"1AA": ["AA", "1AA"], "2AA": ["AA", "2AA"], "X2X": ["1AA", "3AA"]},
    },
)
def audit(given: dict[str, Any]) -> dict[str, Any]:
    """Check every key against every cylinder: unintended and missing operations, and phantoms."""
    fields = object_fields(given, "", ("spec", "keys", "cylinders"), ("spec", "keys", "cylinders"))
    spec = keying.BittingSpec.from_json(fields["spec"])
    keys = _read_keys(spec, fields["keys"])
    cylinders = fields["cylinders"]
    if not isinstance(cylinders, dict) or len(cylinders) > MOST_KEYS:
        raise keying.KeyingError("cylinders", "Give an object of cylinder and the list of keys that operate it.")
    for symbol, meant in cylinders.items():
        symbol_text(symbol, "cylinders")
        for key in entries(meant, f"cylinders.{short(symbol)}", MOST_KEYS):
            symbol_text(key, f"cylinders.{short(symbol)}")
    found = keying.audit(keys, cylinders)
    return {
        "unintended": [list(pair) for pair in found.unintended],
        "missing": [list(pair) for pair in found.missing],
        "phantoms": found.phantoms,
    }


@json_command(group, "symbols", {"levels": 3, "masters": 2, "changes_per_master": 3})
def symbols(given: dict[str, Any]) -> dict[str, Any]:
    """Make the standard key symbols of a system of two, three or four levels."""
    fields = object_fields(
        given, "", ("levels", "masters", "changes_per_master", "grands"), ("levels", "masters", "changes_per_master")
    )
    if fields["levels"] == 4 and fields.get("grands") is None:
        raise keying.KeyingError("grands", "Four levels need the number of grands.")
    grands = 1 if fields.get("grands") is None else fields["grands"]
    return {"symbols": keying.make_symbols(fields["levels"], fields["masters"], fields["changes_per_master"], grands)}
