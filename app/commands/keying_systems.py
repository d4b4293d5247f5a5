"""`bittern keying …` for whole systems: plans, lost keys, extensions; JSON in and out. In the group of keying.py."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from math import ceil, prod
from random import Random
from typing import Any

from app import keying
from app.commands.jsonio import HINT, json_command
from app.commands.keying import (
    EXAMPLE_SPEC,
    MOST_KEYS,
    group,
    read_bitting,
    read_cylinders,
    read_keys,
    read_operators,
    read_ruled_spec,
    read_sections,
    read_spec,
)
from app.errors import BitternError, Problem, Problems
from app.keying import write_bitting
from app.validation import Reader, counted, quoted, read_entries, read_list, read_text, read_whole

SECONDS = 20
MOST_NAME = 60  # characters, of a person or a door
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


_RULES = {"least_depths": 3, "most_equal_neighbors": 2, "least_span": 3, "no_stairs": True, "no_uncut": True}


@json_command(
    group,
    "plan",
    {
        "spec": EXAMPLE_SPEC,
        "levels": 3,
        "masters": [4],
        "changes": 20,
        "room": [0.5, 0.25],
        "rules": _RULES,
        "tmk": None,
        "seed": 1,
    },
)
def plan(read: Reader) -> dict[str, Any]:
    """Plan a system of two to seven levels: every key's bitting, and the keys that operate each change's cylinder.

    `keyways` gives a master that of its doors, `enters` those that its keys, and those of its changes, enter: where
    no array holds a bitting for each, masters that enter none of each other's doors share theirs.
    """
    spec = read_ruled_spec(read, "macs", "step")
    levels = read.whole("levels", 2, keying.MOST_LEVELS)
    masters: list[int] = read.value("masters", _masters) if read.has("masters") else []
    changes = read.whole("changes", 1, keying.MOST_KEYSETS)
    room = read.optional("room", _shares)
    tmk = read.optional("tmk", read_bitting(spec))
    rng, seconds = read_seed(read), read_seconds(read)
    if masters is not None and len(masters) != levels - 2:
        between = counted(levels - 2, "number")
        read.refuse("masters", f"{levels} levels have {between} of masters between top and changes, upper first.")
    if room is not None and len(room) != levels - 1:
        read.refuse("room", f"Give {counted(levels - 1, 'share')}: the masters' levels first, changes last.")
    counts = [*(masters or []), changes or 1]
    is_shape_known = len(counts) == levels - 1 and prod(counts) <= keying.MOST_KEYSETS
    sections = _read_parts(read, keying.parents_of_masters(counts)) if is_shape_known else keying.ALL_ENTER
    read.done()
    shares = room or [Fraction(0)] * len(counts)
    spare = [ceil(share * count) for share, count in zip(shares, counts, strict=True)]
    drawn = keying.draw_system(spec, counts, spare, tmk, rng, seconds, sections)
    return {
        "keys": {symbol: write_bitting(spec, bitting) for symbol, bitting in drawn.plan.keys.items()},
        "cylinders": {symbol: list(operators) for symbol, operators in drawn.plan.cylinders.items()},
        "left": list(drawn.left),
        "refused": drawn.refused,
        "warnings": list(drawn.warnings),
    }


def _read_parts(read: Reader, parents: Mapping[str, str | None]) -> keying.Sections:
    """The keyway of the doors under each master, and those that its keys, and those of its changes, enter."""
    sections, needed = read_sections(read, parents, parents), defaultdict[str | None, set[str]](set)
    for symbol, above in reversed([*parents.items()]):
        needed[symbol] |= {sections.plugs[symbol]} if symbol in sections.plugs else set()
        needed[above] |= needed[symbol]
        if missing := needed[symbol] - {*sections.entered.get(symbol, needed[symbol])}:
            told = f"Its keys open doors on {', '.join(sorted(missing))}, too: add it, or correct the keyways."
            read.refuse(f"enters.{symbol}", told)
    return sections


def _masters(given: object) -> list[int]:
    return [read_whole(one, 1, keying.MOST_KEYSETS) for one in read_list(given, 100)]


def _shares(given: object) -> list[Fraction]:
    """Shares as they are written: .3 of 10 is 3, whatever the nearest binary number is."""
    shares = []
    for one in read_list(given, 100):
        if isinstance(one, bool) or not isinstance(one, int | float) or not 0 <= one <= 100:
            raise BitternError("", f"Give each share as a number from 0 to 100, such as 0.25, not {quoted(one)}.")
        shares.append(Fraction(repr(one)))
    return shares


@json_command(
    group,
    "lost",
    {
        "spec": EXAMPLE_SPEC,
        "keys": {"A": "417250", "AA": "411214", "AA1": "231214", "AA2": "651214", "AB": "413458", "AB1": "233458"},
        "cylinders": {"AA1": ["AA1", "AA", "A"], "AA2": ["AA2", "AA", "A"], "AB1": ["AB1", "AB", "A"]},
        "lost": "AA",
        "rules": _RULES,
        "seed": 1,
    },
)
def lost(read: Reader) -> dict[str, Any]:
    """Say what a lost key exposes, and which keys get which new bittings so that it opens nothing any more."""
    spec = read_ruled_spec(read)
    keys, cylinders = read_keys(read, spec), read_cylinders(read)
    sections = read_sections(read, keys, cylinders)
    symbol = read.value("lost", keying.read_symbol_text)
    rng, seconds = read_seed(read), read_seconds(read)
    read.done()
    if spec.rules.names and not keying.count_allowed(spec, keying.columns_in_service(spec, list(keys.values()))):
        raise keying.KeyingError("rules", "These rules leave no bitting of this system's parity: loosen one.")
    found = keying.lost_key(spec, keys, cylinders, symbol, rng, seconds=seconds, sections=sections)
    return {
        "exposed": list(found.exposed),
        "replace": list(found.replace),
        "new": {replaced: write_bitting(spec, found.new[replaced]) for replaced in found.replace},
        "proven": found.proven,
        "reasons": list(found.reasons),
    }


_LISTED = {
    "spec": EXAMPLE_SPEC,
    "columns": {"symbol": 0, "bitting": 1, "level": 2},
    "rows": [
        ["TMK", "4 1 7 2 5 0", "top master"],
        ["MK1", "8-3-6-2-5-0", "MK"],
        ["101", "83.84.72", "change"],
        ["102", "83647", "change"],
        ["103", "838472", "change"],
        ["104", "836490", "change"],
        ["CTR", "860529", ""],
    ],
}


@json_command(group, "read", _LISTED)
def read_rows(read: Reader) -> dict[str, Any]:
    """Read another shop's bitting list: the keys that are taken, the rows left aside and why, and what it asks."""
    spec = read.value("spec", read_spec())
    columns: Mapping[str, int | None] = read.value("columns", _columns)
    rows = read.value("rows", lambda given: read_list(given, keying.MOST_LISTED_ROWS))
    sent = []
    if columns is not None and rows is not None:
        for number, cells in enumerate(rows, start=1):
            if not isinstance(cells, list) or any(isinstance(cell, list | dict) for cell in cells):
                read.refuse(f"rows[{number}]", "Give a row as a list of its cells.")
                continue
            said = {name: cells[place] for name, place in columns.items() if place is not None and place < len(cells)}
            sent.append(keying.SentRow(number, **said))
    read.done()
    found = keying.read_old_list(spec, sent)
    return {
        "taken": {one.key.symbol: write_bitting(spec, one.cuts) for one in found.taken},
        "own": {one.key.symbol: one.key.own for one in found.taken},
        "aside": [{"row": one.row, "reason": one.reason} for one in found.aside],
        "asked": [{"row": one.row, "question": one.question} for one in found.asked],
    }


def _columns(given: object) -> dict[str, int | None]:
    """Where symbol, bitting and level stand, from 0; each by itself, the level where the list tells it."""
    fields = Reader(given, hint=HINT if isinstance(given, dict) else "")
    places: dict[str, int | None] = {name: fields.whole(name, 0, 999) for name in ("symbol", "bitting")}
    places["level"] = fields.optional("level", lambda place: read_whole(place, 0, 999))
    told = [place for place in places.values() if place is not None]
    if len(set(told)) < len(told) and not fields.problems:
        fields.refuse("", "Two of these are the same column: give each a place of its own.")
    fields.done()
    return places


_EXTENDED = {
    "spec": EXAMPLE_SPEC,
    "keys": {"A": "416250", "AA": "836250", "AB": "056250", "AA1": "838472", "AB1": "058472"},
    "cylinders": {"AA1": ["AA1", "AA", "A"], "AB1": ["AB1", "AB", "A"]},
    "add": [
        {"symbol": "AC", "operators": ["AC", "A"]},
        {"symbol": "AC1", "operators": ["AC1", "AC", "A"]},
        {"symbol": "X1X", "operators": ["AA1", "AB1", "AA", "AB", "A"]},
    ],
    "rules": _RULES,
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


@json_command(
    group,
    "solve",
    {
        "spec": EXAMPLE_SPEC,
        "opens": {
            "owner": ["1.1", "1.2", "1.3", "2.1", "2.2", "store"],
            "head of floor 1": ["1.1", "1.2", "1.3", "store"],
            "head of floor 2": ["2.1", "2.2", "store"],
            "Ames": ["1.1"],
            "Boyle": ["1.2", "1.1"],
            "Crane": ["1.3"],
            "Doyle": ["2.1"],
            "Estes": ["2.2"],
        },
        "seconds": 20,
        "rules": _RULES,
        "seed": 1,
    },
)
def solve(read: Reader) -> dict[str, Any]:
    """Key who opens what: by levels with each exception crossed by itself, else by a search, or say why not."""
    spec = read_ruled_spec(read)
    opens = _read_opens(read)
    rng, seconds = read_seed(read), read_seconds(read)
    read.done()
    doors = dict.fromkeys(door for opened in opens.values() for door in opened)
    try:
        return _solved(spec, opens, list(doors), rng, seconds)
    except keying.KeyingError as error:
        is_matrix = error.field in ("matrix", "doors")
        raise keying.KeyingError("opens" if is_matrix else error.field, error.message) from error


def _solved(
    spec: keying.BittingSpec, opens: Mapping[str, tuple[str, ...]], doors: list[str], rng: Random, seconds: float
) -> dict[str, Any]:
    matrix = keying.AccessMatrix.of(opens, sorted(doors))  # in an order that a change of entries leaves
    answer: dict[str, Any] = {"status": "solved", "keys": {}, "symbols": {}, "crossed": [], "shares": {}}
    answer |= {"conflict": [], "relax": []}
    if not matrix.keys:
        return answer
    _check_enough(spec, len(matrix.keys))
    tiers = keying.Tiers.of(matrix)
    crossed = zip(matrix.cylinders, tiers.operators, strict=True)
    crossed_doors = {door for group, one in crossed if one.crossed for door in group.doors}
    answer["crossed"] = [door for door in doors if door in crossed_doors]
    found = keying.key_matrix(spec, None, matrix, rng, seconds=seconds)
    if isinstance(found, keying.AccessPlan):
        bittings = {symbol: write_bitting(spec, bitting) for symbol, bitting in found.keys.items()}
        answer["symbols"] = {who: found.holders[who] for who in opens if found.holders[who]}
        answer["keys"] = {who: bittings[symbol] for who, symbol in answer["symbols"].items()}
        combinations = {
            name: keying.count_combinations([found.keys[symbol] for symbol in them])
            for name, them in found.cylinders.items()
        }
        every = keying.theoretical(spec)
        answer["shares"] = {door: combinations[found.doors[door]] / every for door in doors}
        return answer
    answer["status"] = "impossible" if found.outcome == "impossible" else "not found"
    answer["conflict"] = [
        [matrix.keys[key].holders[0], matrix.cylinders[cylinder].doors[0]] for key, cylinder in found.conflict
    ]
    answer["relax"] = [
        {"person": person, "door": door, "do": "allow" if change.allow else "drop"}
        for change in found.relax
        for person, door in change.entries(matrix)
    ]
    return answer


def _read_opens(read: Reader) -> Mapping[str, tuple[str, ...]]:
    """Person → doors; every name of 1 to 60 characters, each once."""
    given = read.raw("opens")
    lists = [doors for doors in given.values() if isinstance(doors, list)] if isinstance(given, dict) else []
    if given == {}:
        read.refuse("opens", "Give at least one person, with a list of the doors that open to them.")
    if (entries := sum(map(len, lists))) > keying.MOST_CELLS:
        read.refuse("opens", f"{entries:,} entries are more than {keying.MOST_CELLS:,}: key each building by itself.")
        return {}
    known: dict[object, str] = {}

    def door_name(name: object) -> str:
        if not isinstance(name, str) or name not in known:
            known[name] = read_text(name, MOST_NAME)
        return known[name]

    def doors_of(doors: object) -> tuple[str, ...]:
        found, problems = read_entries(read_list(doors, keying.MOST_CELLS), door_name)
        seen: set[str] = set()
        for number, name in enumerate(found, 1):
            if name is not None and name in seen:
                problems.append(Problem(f"[{number}]", f"Door {quoted(name)} stands twice here: remove one."))
            seen.add(name)
        if problems:
            raise Problems(problems)
        return found

    return read.by_name("opens", doors_of, lambda name: read_text(name, MOST_NAME), MOST_KEYS)


def _check_enough(spec: keying.BittingSpec, wanted: int) -> None:
    """Refuse rules that leave fewer bittings than there are keys, where the spec without them has enough."""
    left, without = keying.usable(spec), keying.usable(replace(spec, rules=keying.BittingRules()))
    if left < wanted <= without:
        raise keying.KeyingError(
            "rules",
            f"The rules leave {counted(left, 'bitting')} of {without:,} within MACS, too few for {wanted:,} unlike "
            "keys: loosen one, or take a spec with more chambers or depths.",
        )
