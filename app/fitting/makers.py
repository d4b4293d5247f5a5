"""A maker's tables, read from JSON: patterns, keyways, key blanks, cams, locks and catalogue items."""

from __future__ import annotations

__all__ = ["Maker", "find_maker", "load_makers", "read_maker", "repeated_rows"]

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from types import MappingProxyType
from typing import Any

from app.errors import BitternError, Problem
from app.fitting.cams import Cam, Lock
from app.fitting.catalogue import CatalogueItem, read_item
from app.fitting.given import as_list, as_object, as_text, as_whole, quoted
from app.fitting.inches import read_inches, write_inches
from app.fitting.keyways import KeyBlank, Keyway
from app.fitting.part_numbers import decode_any
from app.fitting.pattern_json import pattern_from_json
from app.fitting.patterns import Pattern

_KEYS = (
    *("name", "code", "note", "patterns", "keyways", "bitting_specs", "key_blanks", "cams", "locks"),
    *("lengths", "rings", "items"),
)
MOST_BYTES = 20_000_000


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
    """A maker from plain values; BitternError names the table and row at fault."""
    data = as_object(given, "", _KEYS)
    name = as_text(data.get("name"), "name", 60)
    code = as_text(data.get("code"), "code", 12)
    patterns = tuple(
        pattern_from_json(each, name, f"patterns[{n}]")
        for n, each in enumerate(as_list(data.get("patterns", []), "patterns", 20), 1)
    )
    specs = as_object(data.get("bitting_specs", {}), "bitting_specs")
    keyways = tuple(_keyway(each, name, f"keyways[{n}]") for n, each in _rows(data, "keyways"))
    for n, keyway in enumerate(keyways, 1):
        if keyway.bitting_spec not in specs:
            raise BitternError(
                f"keyways[{n}].bitting_spec", f"There is no bitting spec named {quoted(keyway.bitting_spec)}."
            )
    return Maker(
        name=name,
        code=code,
        patterns=patterns,
        keyways=keyways,
        bitting_specs=MappingProxyType({key: as_object(value, key) for key, value in specs.items()}),
        blanks=tuple(_blank(each, name, f"key_blanks[{n}]") for n, each in _rows(data, "key_blanks")),
        cams=tuple(_cam(each, name, f"cams[{n}]") for n, each in _rows(data, "cams")),
        locks=tuple(_lock(each, name, f"locks[{n}]") for n, each in _rows(data, "locks")),
        items=tuple(_item(each, name, patterns, f"items[{n}]") for n, each in _rows(data, "items")),
        lengths=_inches(data.get("lengths", []), "lengths"),
        rings=_inches(data.get("rings", []), "rings"),
    )


def repeated_rows(maker: Maker) -> tuple[Problem, ...]:
    """Every row of a maker's tables that names what a row above it has named, by table, row and column."""
    named: dict[tuple[str, str], list[str]] = {
        ("patterns", "name"): [each.name for each in maker.patterns],
        ("keyways", "name"): [each.name for each in maker.keyways],
        ("key_blanks", "number"): [each.number for each in maker.blanks],
        ("cams", "name"): [each.name for each in maker.cams],
        ("locks", "name"): [each.name for each in maker.locks],
        ("lengths", ""): [write_inches(each) for each in maker.lengths],
        ("rings", ""): [write_inches(each) for each in maker.rings],
        ("items", "part_number"): [each.part_number for each in maker.items],
    }
    problems = []
    for (table, column), names in named.items():
        first: dict[str, int] = {}
        for number, name in enumerate(names, 1):
            if first.setdefault(name.casefold(), number) != number:
                field = f"{table}[{number}]" + (f".{column}" if column else "")
                problems.append(Problem(field, f"{name} stands there twice."))
    return tuple(problems)


def _inches(value: object, field: str) -> tuple[Fraction, ...]:
    return tuple(read_inches(each, f"{field}[{n}]") for n, each in enumerate(as_list(value, field, 100), 1))


def _rows(data: Mapping[str, Any], table: str) -> list[tuple[int, Any]]:
    return list(enumerate(as_list(data.get(table, []), table, 100_000), 1))


def _texts(value: object, field: str) -> tuple[str, ...]:
    return tuple(as_text(each, f"{field}[{n}]", 60) for n, each in enumerate(as_list(value, field, 1000), 1))


def _keyway(given: object, maker: str, field: str) -> Keyway:
    data = as_object(given, field, ("name", "family", "bitting_spec"))
    return Keyway(
        maker,
        as_text(data.get("name"), f"{field}.name", 60),
        as_text(data.get("family"), f"{field}.family", 60),
        as_text(data.get("bitting_spec"), f"{field}.bitting_spec", 60),
    )


def _blank(given: object, maker: str, field: str) -> KeyBlank:
    data = as_object(given, field, ("number", "keyways", "chambers", "cross_references"))
    references = []
    for n, row in enumerate(as_list(data.get("cross_references", []), f"{field}.cross_references", 100), 1):
        at = f"{field}.cross_references[{n}]"
        named = as_object(row, at, ("maker", "number"))
        references.append(
            (as_text(named.get("maker"), f"{at}.maker", 60), as_text(named.get("number"), f"{at}.number", 60))
        )
    return KeyBlank(
        maker,
        as_text(data.get("number"), f"{field}.number", 60),
        _texts(data.get("keyways"), f"{field}.keyways"),
        as_whole(data.get("chambers"), f"{field}.chambers", 1, 12),
        tuple(references),
    )


def _cam(given: object, maker: str, field: str) -> Cam:
    data = as_object(given, field, ("name", "part_number", "locks", "exceptions"))
    exceptions = []
    for n, row in enumerate(as_list(data.get("exceptions", []), f"{field}.exceptions", 200), 1):
        at = f"{field}.exceptions[{n}]"
        said = as_object(row, at, ("lock", "reason"))
        exceptions.append((as_text(said.get("lock"), f"{at}.lock", 60), as_text(said.get("reason"), f"{at}.reason")))
    return Cam(
        maker,
        as_text(data.get("name"), f"{field}.name", 60),
        as_text(data.get("part_number"), f"{field}.part_number", 60),
        _texts(data.get("locks"), f"{field}.locks"),
        tuple(exceptions),
    )


_LOCK_KEYS = ("name", "series", "takes", "case", "cam_depth", "bore_min", "bore_max", "backsets")


def _lock(given: object, maker: str, field: str) -> Lock:
    data = as_object(given, field, _LOCK_KEYS)
    measures = {
        name: None if data.get(name) is None else read_inches(data[name], f"{field}.{name}")
        for name in ("case", "cam_depth", "bore_min", "bore_max")
    }
    return Lock(
        maker,
        as_text(data.get("name"), f"{field}.name", 60),
        as_text(data.get("series"), f"{field}.series", 60),
        as_text(data.get("takes"), f"{field}.takes", 20),
        measures["case"],
        measures["cam_depth"],
        measures["bore_min"],
        measures["bore_max"],
        _inches(data.get("backsets", []), f"{field}.backsets"),
    )


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
            raise BitternError(f"makers.{path.name}: {error.field}", error.message) from error
    return tuple(makers)


def find_maker(makers: Sequence[Maker], wanted: str) -> Maker:
    """The maker with this code or name, capitals aside; BitternError lists those there are."""
    key = wanted.strip().casefold()
    for maker in makers:
        if key in (maker.code.casefold(), maker.name.casefold()):
            return maker
    known = ", ".join(f"{maker.code} ({maker.name})" for maker in makers)
    raise BitternError("maker", f"There is no maker {quoted(wanted)}. Known: {known}.")
