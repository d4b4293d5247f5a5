"""`bittern keying …`: count, progress, pin, audit and symbols; JSON in, JSON out. Whole systems: keying_systems."""

import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from itertools import islice
from typing import Any

import click

from app import keying
from app.commands.jsonio import HINT, json_command
from app.errors import BitternError, Problem, Problems
from app.validation import Reader, read_list, read_many, read_text, read_whole

MOST_LISTED = 1_000_000
MOST_KEYS = 100_000
_LONGEST_KEYWAY, _MOST_KEYWAYS = 24, 100

EXAMPLE_SPEC = {"chambers": 6, "depths": 10, "first_depth": 0, "macs": 7, "step": 2}


@click.group()
def group() -> None:
    """Count, progress, pin and audit bittings, make key symbols, and plan for whole systems."""


@json_command(group, "count", {"spec": EXAMPLE_SPEC})
def count(read: Reader) -> dict[str, Any]:
    """Count all bittings of a spec, and those within its MACS."""
    answer = read.value("spec", _count)
    read.done()
    return answer


def _count(given: object) -> dict[str, Any]:
    fields = Reader(given, hint=HINT if isinstance(given, dict) else "")
    for name in keying.BittingSpec.__dataclass_fields__:  # known, whether the count needs it or not
        if name != "rules":
            fields.has(name)
    # Counting is exact at any size, so it also takes what no cylinder has.
    chambers, depths = fields.whole("chambers", 1, 1000), fields.whole("depths", 2, 256)
    macs = fields.whole("macs", 0, 255)
    fields.done()
    if not (3 <= chambers <= 12 and depths <= 16):
        return {"theoretical": depths**chambers, "usable": keying.count_bittings(chambers, depths, macs)}
    spec = read_spec("macs")(given)
    return {"theoretical": keying.theoretical(spec), "usable": keying.usable(spec)}


def read_spec(*needed: str) -> Callable[[object], keying.BittingSpec]:
    """A reader of a spec that has to say chambers, depths and what else is needed."""

    def read(given: object) -> keying.BittingSpec:
        fields = given if isinstance(given, dict) else {}
        left = () if given is None else needed
        problems = [Problem(name, f"This field is missing. {HINT}") for name in left if fields.get(name) is None]
        try:
            spec = keying.BittingSpec.from_json(given)
        except BitternError as error:
            problems += error.problems
        if problems:
            raise Problems(problems)
        return spec

    return read


def read_bitting(spec: keying.BittingSpec | None) -> Callable[[object], keying.Bitting]:
    """A reader of a bitting; of none where the spec itself could not be read, which is told."""
    return lambda text: keying.read_bitting(spec, text, "") if spec else ()


def read_ruled_spec(read: Reader, *needed: str) -> keying.BittingSpec:
    """The spec, which has to say what is needed, with the rules that stand beside it."""
    spec = read.value("spec", read_spec(*needed))
    rules = read.optional("rules", _rules)
    if not spec or rules is None:
        return spec
    spec = replace(spec, rules=rules)
    try:
        spec.check_rules()
    except Problems as refused:
        read.note(refused.problems)
    return spec


def _rules(given: object) -> keying.BittingRules:
    fields = Reader(given, hint=HINT)
    for name in keying.JUDGING_RULES:
        fields.has(name)
    fields.done()
    return keying.BittingRules.from_json(given)


@json_command(
    group,
    "progress",
    {
        "spec": EXAMPLE_SPEC,
        "tmk": "417250",
        "array": None,
        "order": None,
        "rules": {"least_depths": 3, "most_equal_neighbors": 2, "least_span": 3, "no_stairs": True, "no_uncut": True},
        "limit": 8,
    },
)
def progress(read: Reader) -> dict[str, Any]:
    """List the changes under a master by total position progression, within MACS and rules, in sequence."""
    spec = read_ruled_spec(read, "macs", "step")
    tmk = read.value("tmk", read_bitting(spec))
    columns = read.optional("array", _array)
    order = read.optional("order", lambda given: read_list(given, 100))
    limit = read.optional("limit", lambda given: read_whole(given, 0, MOST_LISTED))
    read.done()
    found = keying.progress(spec, tmk, columns, order)
    listed = found.usable if limit is None else min(limit, found.usable)
    if listed > MOST_LISTED:
        raise keying.KeyingError(
            "limit", f"{found.usable:,} bittings are usable; set a limit of {MOST_LISTED:,} or less."
        )
    return {
        "array": [[f"{depth:X}" for depth in column] for column in found.columns],
        "theoretical": found.theoretical,
        "usable": found.usable,
        **({"refused": found.refused} if read.has("rules") else {}),
        "bittings": [keying.write_bitting(spec, bitting) for bitting in islice(found, listed)],
    }


def _array(given: object) -> list[tuple[int, ...]]:
    columns = []
    for chamber, column in enumerate(read_list(given, 100), start=1):
        texts = read_list(column, 100)
        if not all(isinstance(text, str) and re.fullmatch("[0-9A-Fa-f]", text) for text in texts):
            raise BitternError("", f"Chamber {chamber}: write each depth as one character, 0-9 or A-F.")
        columns.append(tuple(int(text, 16) for text in texts))
    return columns


@json_command(
    group,
    "pin",
    {
        "spec": {
            "chambers": 6,
            "depths": 10,
            "macs": 7,
            "stack_total": 23,
            "control_offset": 10,
            "min_master_pin": 2,
            "most_master_pins": 2,
            "share_one_in": 200,
            "stop": "tip",
        },
        "keys": {"TMK": "417250", "AA1": "293814"},
        "control": "860529",
    },
)
def pin(read: Reader) -> dict[str, Any]:
    """Give the pins of a cylinder for the keys that operate it, how many bittings they let in, and warnings."""
    spec = read.value("spec", read_spec())
    keys = read_keys(read, spec)
    control = read.optional("control", read_bitting(spec))
    read.done()
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


def read_keys(read: Reader, spec: keying.BittingSpec | None) -> Mapping[str, keying.Bitting]:
    """The keys by symbol, at least one."""
    keys = read.by_name("keys", read_bitting(spec), keying.read_symbol_text, MOST_KEYS)
    if read.raw("keys") == {}:
        read.refuse("keys", f"Give 1 to {MOST_KEYS:,} keys as an object of symbol and bitting.")
    return keys


def read_operators(given: object) -> list[str]:
    """The symbols of the keys that operate a cylinder."""
    return [keying.read_symbol_text(key) for key in read_list(given, MOST_KEYS)]


def read_cylinders(read: Reader) -> Mapping[str, list[str]]:
    """The cylinders by symbol, each with its keys."""
    return read.by_name("cylinders", read_operators, keying.read_symbol_text, MOST_KEYS)


def read_sections(read: Reader, keys: Collection[str], cylinders: Collection[str]) -> keying.Sections:
    """The keyway of each cylinder (`keyways`) and those that each key enters (`enters`), as far as they are given.

    A cylinder that is not named is entered by all keys, and a key that is not named enters all.
    """

    def named(known: Collection[str], what: str) -> Callable[[object], str]:
        def read_name(given: object) -> str:
            name = keying.read_symbol_text(given)
            if name not in known:
                raise BitternError("", f"There is no {what} of this name: correct the list.")
            return name

        return read_name

    def keyway(given: object) -> str:
        return read_text(given, _LONGEST_KEYWAY)

    def entered(given: object) -> frozenset[str]:
        return frozenset(read_many(given, keyway, _MOST_KEYWAYS))

    return keying.Sections(
        read.by_name("keyways", keyway, named(cylinders, "cylinder"), MOST_KEYS) if read.has("keyways") else {},
        read.by_name("enters", entered, named(keys, "key"), MOST_KEYS) if read.has("enters") else {},
    )


@json_command(
    group,
    "audit",
    {
        "spec": {"chambers": 6, "depths": 10},
        "keys": {"AA": "416352", "1AA": "436352", "2AA": "418352", "3AA": "416552"},
        "cylinders": {"1AA": ["AA", "1AA"], "2AA": ["AA", "2AA"], "X2X": ["1AA", "3AA"]},
        "keyways": {"1AA": "Q1", "2AA": "Q2", "X2X": "Q1"},
        "enters": {"AA": ["Q1", "Q2"], "1AA": ["Q1"], "2AA": ["Q2"], "3AA": ["Q1"]},
    },
)
def audit(read: Reader) -> dict[str, Any]:
    """Check every key against every cylinder that it enters: unintended operations, keys shut out, and phantoms."""
    keys = read_keys(read, read.value("spec", read_spec()))
    cylinders = read_cylinders(read)
    if read.raw("cylinders") == {}:
        read.refuse("cylinders", "Give at least one cylinder: without one, no key is tried and nothing is proven.")
    sections = read_sections(read, keys, cylinders)
    read.done()
    found = keying.audit(keys, cylinders, sections)
    return {
        "unintended": [list(pair) for pair in found.unintended],
        # A cylinder is pinned from its own list, so that each of those keys turns it where it enters.
        "missing": [list(pair) for pair in found.shut_out],
        "phantoms": found.phantoms,
    }


@json_command(group, "symbols", {"levels": 3, "masters": 2, "changes_per_master": 3})
def symbols(read: Reader) -> dict[str, Any]:
    """Make the standard key symbols of a system of two, three or four levels."""
    levels, masters = read.whole("levels", 2, 4), read.whole("masters", 1, keying.MOST_SYMBOLS)
    changes = read.whole("changes_per_master", 0, keying.MOST_SYMBOLS)
    grands = read.whole("grands", 1, len(keying.LETTERS), 1)
    if levels == 4 and not read.has("grands"):
        read.refuse("grands", "Four levels need the number of grands.")
    read.done()
    return {"symbols": keying.make_symbols(levels, masters, changes, grands)}
