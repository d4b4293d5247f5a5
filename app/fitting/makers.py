"""A maker's tables, read from JSON: patterns, keyways, key blanks, cams, locks and catalogue items."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from types import MappingProxyType
from typing import Any

from app.errors import BitternError, Problem, Problems
from app.fitting.cams import Cam, Lock
from app.fitting.catalogue import CatalogueItem, read_item
from app.fitting.given import Faults, as_list, as_object, as_text, as_whole, quoted
from app.fitting.inches import read_inches, write_inches
from app.fitting.keyways import KeyBlank, Keyway
from app.fitting.part_numbers import decode_any
from app.fitting.pattern_check import check_pattern
from app.fitting.pattern_json import check_rest, pattern_from_json
from app.fitting.patterns import Pattern

_KEYS = (
    *("name", "code", "note", "patterns", "keyways", "bitting_specs", "key_blanks", "cams", "locks"),
    *("lengths", "rings", "items"),
)
MOST_BYTES = 20_000_000
_MOST_ROWS = 100_000


@dataclass(frozen=True, slots=True)
class Maker:
    """A maker and all its tables. `bitting_specs` are passed through by name, as the keying room reads them;
    they hold chart measures, never a bitting. `lengths` and `rings` are the mortise lengths and ring
    thicknesses to be had, in inches."""

    name: str
    code: str
    patterns: tuple[Pattern, ...]
    keyways: tuple[Keyway, ...]
    bitting_specs: Mapping[str, Mapping[str, Any]]
    blanks: tuple[KeyBlank, ...]
    cams: tuple[Cam, ...]
    locks: tuple[Lock, ...]
    items: tuple[CatalogueItem, ...]
    lengths: tuple[Fraction, ...] = ()
    rings: tuple[Fraction, ...] = ()


def read_maker(given: object) -> Maker:
    """A maker from plain values; Problems name every table and row at fault."""
    maker, faults = _read(given)
    faults.stop()
    return maker


def maker_problems(given: Any) -> tuple[Problem, ...]:
    """Everything wrong with a maker's file: what cannot be read, rows that stand twice, patterns whose numbers cannot
    be told apart; () when it is sound. What can be checked of the rest is told beside what cannot be read."""
    try:
        maker, faults = _read(given)
    except BitternError as error:
        return (Problem(error.field, error.message),)
    for number, pattern in enumerate(maker.patterns, 1):
        found = check_rest(given["patterns"][number - 1]) if pattern is None else check_pattern(pattern)
        faults.note(Problem(f"patterns[{number}].{each.field}", each.message) for each in found)
    faults.note(repeated_rows(maker))
    return tuple(faults.problems)


def _read(given: object) -> tuple[Maker, Faults]:
    """The maker as far as it can be read, and what cannot: such rows are None in it. BitternError: no object."""
    faults = Faults()
    data = faults.fields(given, "", _KEYS)
    name = faults.take(as_text, data.get("name"), "name", 60)
    code = faults.take(as_text, data.get("code"), "code", 12)
    patterns = faults.rows(data, "patterns", 20, lambda each, at: pattern_from_json(each, name or "", at))
    specs = faults.take(as_object, data.get("bitting_specs", {}), "bitting_specs") or {}
    read_specs = {key: faults.take(as_object, value, f"bitting_specs.{key}"[:80]) for key, value in specs.items()}
    keyways = faults.rows(data, "keyways", _MOST_ROWS, lambda each, at: _keyway(each, name, specs, at))
    # What a cylinder's number means is told by every pattern: without one of them it says nothing.
    decoding = () if None in patterns else patterns
    maker = Maker(
        name=name,
        code=code,
        patterns=patterns,
        keyways=keyways,
        bitting_specs=MappingProxyType(read_specs),
        blanks=faults.rows(data, "key_blanks", _MOST_ROWS, lambda each, at: _blank(each, name, at)),
        cams=faults.rows(data, "cams", _MOST_ROWS, lambda each, at: _cam(each, name, at)),
        locks=faults.rows(data, "locks", _MOST_ROWS, lambda each, at: _lock(each, name, at)),
        items=faults.rows(data, "items", _MOST_ROWS, lambda each, at: _item(each, name, decoding, at)),
        lengths=faults.rows(data, "lengths", 100, read_inches),
        rings=faults.rows(data, "rings", 100, read_inches),
    )
    return maker, faults


def repeated_rows(maker: Maker) -> tuple[Problem, ...]:
    """Every row of a maker's tables that names what a row above it has named, by table, row and column."""
    named: dict[tuple[str, str], list[str | None]] = {
        ("patterns", "name"): [None if each is None else each.name for each in maker.patterns],
        ("keyways", "name"): [None if each is None else each.name for each in maker.keyways],
        ("key_blanks", "number"): [None if each is None else each.number for each in maker.blanks],
        ("cams", "name"): [None if each is None else each.name for each in maker.cams],
        ("locks", "name"): [None if each is None else each.name for each in maker.locks],
        ("lengths", ""): [None if each is None else write_inches(each) for each in maker.lengths],
        ("rings", ""): [None if each is None else write_inches(each) for each in maker.rings],
        ("items", "part_number"): [None if each is None else each.part_number for each in maker.items],
    }
    problems = []
    for (table, column), names in named.items():
        first: dict[str, int] = {}
        for number, name in enumerate(names, 1):
            if name and first.setdefault(name.casefold(), number) != number:
                field = f"{table}[{number}]" + (f".{column}" if column else "")
                problems.append(Problem(field, f"{name} stands there twice."))
    return tuple(problems)


def _texts(value: object, field: str) -> tuple[str, ...]:
    return tuple(as_text(each, f"{field}[{n}]", 60) for n, each in enumerate(as_list(value, field, 1000), 1))


def _keyway(given: object, maker: str, specs: Collection[str], field: str) -> Keyway:
    faults = Faults()
    data = faults.fields(given, field, ("name", "family", "bitting_spec"))
    name, family, spec = (
        faults.take(as_text, data.get(each), f"{field}.{each}", 60) for each in ("name", "family", "bitting_spec")
    )
    if spec and spec not in specs:
        faults.note([Problem(f"{field}.bitting_spec", f"There is no bitting spec named {quoted(spec)}.")])
    faults.stop()
    return Keyway(maker, name, family, spec)


def _pair(given: object, first: str, second: str, longest: int, field: str) -> tuple[str, str]:
    faults = Faults()
    data = faults.fields(given, field, (first, second))
    pair = (
        faults.take(as_text, data.get(first), f"{field}.{first}", 60),
        faults.take(as_text, data.get(second), f"{field}.{second}", longest),
    )
    faults.stop()
    return pair


def _blank(given: object, maker: str, field: str) -> KeyBlank:
    faults = Faults()
    data = faults.fields(given, field, ("number", "keyways", "chambers", "cross_references"))
    blank = KeyBlank(
        maker,
        faults.take(as_text, data.get("number"), f"{field}.number", 60),
        faults.take(_texts, data.get("keyways"), f"{field}.keyways"),
        faults.take(as_whole, data.get("chambers"), f"{field}.chambers", 1, 12),
        faults.rows(
            data, "cross_references", 100, lambda each, at: _pair(each, "maker", "number", 60, at), f"{field}."
        ),
    )
    faults.stop()
    return blank


def _cam(given: object, maker: str, field: str) -> Cam:
    faults = Faults()
    data = faults.fields(given, field, ("name", "part_number", "locks", "exceptions"))
    cam = Cam(
        maker,
        faults.take(as_text, data.get("name"), f"{field}.name", 60),
        faults.take(as_text, data.get("part_number"), f"{field}.part_number", 60),
        faults.take(_texts, data.get("locks"), f"{field}.locks"),
        faults.rows(data, "exceptions", 200, lambda each, at: _pair(each, "lock", "reason", 200, at), f"{field}."),
    )
    faults.stop()
    return cam


_LOCK_KEYS = ("name", "series", "takes", "case", "cam_depth", "bore_min", "bore_max", "backsets")


def _lock(given: object, maker: str, field: str) -> Lock:
    faults = Faults()
    data = faults.fields(given, field, _LOCK_KEYS)
    name, series, takes = (
        faults.take(as_text, data.get(each), f"{field}.{each}", longest)
        for each, longest in (("name", 60), ("series", 60), ("takes", 20))
    )
    case, cam_depth, bore_min, bore_max = (
        None if data.get(each) is None else faults.take(read_inches, data[each], f"{field}.{each}")
        for each in ("case", "cam_depth", "bore_min", "bore_max")
    )
    backsets = faults.rows(data, "backsets", 100, read_inches, f"{field}.")
    faults.stop()
    return Lock(maker, name, series, takes, case, cam_depth, bore_min, bore_max, backsets)


def _item(given: object, maker: str, patterns: Sequence[Pattern], field: str) -> CatalogueItem:
    item = read_item(given, maker, field)
    if item.category != "cylinder" or not patterns:
        return item
    try:
        reading = decode_any(patterns, item.part_number)[0]
        return replace(item, part_number=reading.part_number, attributes=reading.attributes)
    except BitternError as error:
        raise BitternError(f"{field}.part_number", error.message) from error


def load_makers(folder: Path) -> tuple[Maker, ...]:
    """Every maker in a folder of JSON files, by file name; BitternError names the file at fault."""
    paths = sorted(folder.glob("*.json")) if folder.is_dir() else []
    if not paths:
        raise BitternError("makers", f"There is no maker's table (*.json) in the folder {folder.name}.")
    makers = []
    for path in paths:
        if path.stat().st_size > MOST_BYTES:
            raise BitternError(f"makers.{path.name}", "This file is too large for a maker's table.")
        try:
            given = json.loads(path.read_text(encoding="utf-8"))
        except (ValueError, OSError, RecursionError) as error:
            raise BitternError(f"makers.{path.name}", "This file is not JSON in UTF-8 that can be read.") from error
        try:
            makers.append(read_maker(given))
        except BitternError as error:
            found = error.problems if isinstance(error, Problems) else (Problem(error.field, error.message),)
            raise Problems([Problem(f"makers.{path.name}: {each.field}", each.message) for each in found]) from error
    return tuple(makers)


def find_maker(makers: Sequence[Maker], wanted: str) -> Maker:
    """The maker with this code or name, capitals aside; BitternError lists those there are."""
    key = wanted.strip().casefold()
    for maker in makers:
        if key in (maker.code.casefold(), maker.name.casefold()):
            return maker
    known = ", ".join(f"{maker.code} ({maker.name})" for maker in makers)
    raise BitternError("maker", f"There is no maker {quoted(wanted)}. Known: {known}.")
