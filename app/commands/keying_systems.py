"""`bittern keying …` for whole systems: lost keys and extensions; JSON in, JSON out. In the group of keying.py."""

from random import Random
from typing import Any

from app import keying
from app.commands.jsonio import json_command
from app.commands.keying import (
    EXAMPLE_SPEC,
    MOST_KEYS,
    group,
    read_cylinders,
    read_keys,
    read_operators,
    read_ruled_spec,
)
from app.errors import BitternError
from app.keying import write_bitting
from app.validation import Reader, quoted

SECONDS = 20
MOST_SECONDS = 3600

__all__ = ["group"]  # app/cli.py loads the group from here, so that it has these commands too


def read_seconds(read: Reader) -> float:
    """How long a search may take; 20 seconds where nothing is said."""

    def checked(given: object) -> float:
        if isinstance(given, bool) or not isinstance(given, int | float) or not 0 < given <= MOST_SECONDS:
            raise BitternError("", f"Enter seconds above 0 and at most {MOST_SECONDS:,}, not {quoted(given)}.")
        return float(given)

    return read.value("seconds", checked, float(SECONDS))


def read_seed(read: Reader) -> Random:
    """Chance that draws the same for the same seed; 0 where nothing is said."""
    seed = read.whole("seed", -(2**63), 2**63, 0)
    return Random(seed)  # noqa: S311 - whoever gives the seed wants the same bittings again


@json_command(
    group,
    "lost",
    {
        "spec": EXAMPLE_SPEC,
        "keys": {"A": "417250", "AA": "411214", "AA1": "231214", "AA2": "651214", "AB": "413458", "AB1": "233458"},
        "cylinders": {"AA1": ["AA1", "AA", "A"], "AA2": ["AA2", "AA", "A"], "AB1": ["AB1", "AB", "A"]},
        "lost": "AA",
        "rules": {"least_depths": 3, "most_equal_neighbors": 2, "least_span": 3, "no_stairs": True, "no_uncut": True},
        "seed": 1,
    },
)
def lost(read: Reader) -> dict[str, Any]:
    """Say what a lost key exposes, and which keys get which new bittings so that it opens nothing any more."""
    spec = read_ruled_spec(read)
    keys, cylinders = read_keys(read, spec), read_cylinders(read)
    symbol = read.value("lost", keying.read_symbol_text)
    rng, seconds = read_seed(read), read_seconds(read)
    read.done()
    found = keying.lost_key(spec, keys, cylinders, symbol, rng, seconds=seconds)
    return {
        "exposed": list(found.exposed),
        "replace": list(found.replace),
        "new": {replaced: write_bitting(spec, found.new[replaced]) for replaced in found.replace},
        "proven": found.proven,
        "reasons": list(found.reasons),
    }


_EXTENDED = {
    "spec": EXAMPLE_SPEC,
    "keys": {"A": "416250", "AA": "836250", "AB": "056250", "AA1": "838472", "AB1": "058472"},
    "cylinders": {"AA1": ["AA1", "AA", "A"], "AB1": ["AB1", "AB", "A"]},
    "add": [
        {"symbol": "AC", "operators": ["AC", "A"]},
        {"symbol": "AC1", "operators": ["AC1", "AC", "A"]},
        {"symbol": "X1X", "operators": ["AA1", "AB1", "AA", "AB", "A"]},
    ],
    "rules": {"least_depths": 3, "most_equal_neighbors": 2, "least_span": 3, "no_stairs": True, "no_uncut": True},
    "seed": 1,
    "seconds": 20,
}


@json_command(group, "extend", _EXTENDED)
def extend(read: Reader) -> dict[str, Any]:
    """Add keys and cylinders to a system in service, whatever array it has; no key in service changes."""
    spec = read_ruled_spec(read, "macs", "step")
    keys = read_keys(read, spec)
    cylinders = read_cylinders(read)
    added = read.rows("add", _added, MOST_KEYS)
    rng, seconds = read_seed(read), read_seconds(read)
    read.done()
    found = keying.add_cylinders(spec, keys, cylinders, added, rng, seconds=seconds)
    return {"new": {symbol: write_bitting(spec, bitting) for symbol, bitting in found.items()}}


def _added(row: Reader) -> keying.AddedCylinder:
    symbol = row.value("symbol", keying.read_symbol_text)
    return keying.AddedCylinder(symbol, tuple(dict.fromkeys(row.value("operators", read_operators) or ())))
