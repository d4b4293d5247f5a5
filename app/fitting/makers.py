"""A maker's tables, read from JSON: patterns, keyways, key blanks, cams, locks and catalog items."""

import json
from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from types import MappingProxyType
from typing import Any

from app.errors import BitternError, Problem, Problems
from app.fitting.cams import Cam, LockModel
from app.fitting.catalog import KEYED_CATEGORIES, CatalogItem, read_item
from app.fitting.inches import read_inches, write_inches
from app.fitting.keyways import KeyBlank, MakerKeyway
from app.fitting.part_numbers import decode_any
from app.fitting.pattern_check import check_pattern, check_rest
from app.fitting.patterns import Pattern, pattern_from_json
from app.validation import (
    Reader,
    place_problems,
    quoted,
    read_many,
    read_object,
    read_text,
    read_typed_whole,
)

MOST_BYTES = 20_000_000
_MOST_ROWS = 100_000


@dataclass(frozen=True, slots=True)
class MakerFile:
    """A maker and all its tables. `bitting_specs` are passed through by name, as the keying room reads them;
    they hold chart measures, never a bitting. `lengths` and `rings` are the mortise lengths and ring
    thicknesses to be had, in inches."""

    name: str
    code: str
    patterns: tuple[Pattern, ...]
    keyways: tuple[MakerKeyway, ...]
    bitting_specs: Mapping[str, Mapping[str, Any]]
    blanks: tuple[KeyBlank, ...]
    cams: tuple[Cam, ...]
    locks: tuple[LockModel, ...]
    items: tuple[CatalogItem, ...]
    lengths: tuple[Fraction, ...] = ()
    rings: tuple[Fraction, ...] = ()


def read_maker(given: object) -> MakerFile:
    """A maker from plain values; Problems name every table and row at fault."""
    read = Reader(given)
    maker = _maker(read)
    read.done()
    return maker


def maker_problems(given: Any) -> tuple[Problem, ...]:
    """Everything wrong with a maker's file: what cannot be read, rows that stand twice, patterns whose numbers cannot
    be told apart; () when it is sound. What can be checked of the rest is told beside what cannot be read."""
    read = Reader(given)
    maker = _maker(read)
    with suppress(Problems):
        read.done()
    for number, pattern in enumerate(maker.patterns, 1):
        found = check_rest(given["patterns"][number - 1]) if pattern is None else check_pattern(pattern)
        read.note(place_problems(found, f"patterns[{number}]"))
    read.note(repeated_rows(maker))
    return tuple(read.problems)


def _maker(read: Reader) -> MakerFile:
    """The maker as far as it can be read; rows that cannot are None in it."""
    name = read.text("name", 60)
    code = read.text("code", 12)
    patterns = read.many("patterns", lambda given: pattern_from_json(given, name), 20)
    read.has("note")  # a remark of whoever wrote the file
    has_specs = read.has("bitting_specs")
    specs = read.by_name("bitting_specs", read_object, str, _MOST_ROWS) if has_specs else {}
    # A keyway of a spec that cannot be read is not at fault itself.
    spec_names = read.raw("bitting_specs") if isinstance(read.raw("bitting_specs"), dict) else {}
    keyways = read.rows("keyways", lambda row: _keyway(row, name, spec_names), _MOST_ROWS)
    # What a cylinder's number means is told by every pattern: without one of them it says nothing.
    decoding = () if None in patterns else patterns
    return MakerFile(
        name=name,
        code=code,
        patterns=patterns,
        keyways=keyways,
        bitting_specs=MappingProxyType(dict(specs)),
        blanks=read.rows("key_blanks", lambda row: _blank(row, name), _MOST_ROWS),
        cams=read.rows("cams", lambda row: _cam(row, name), _MOST_ROWS),
        locks=read.rows("locks", lambda row: _lock(row, name), _MOST_ROWS),
        items=read.many("items", lambda given: _item(given, name, decoding), _MOST_ROWS),
        lengths=read.many("lengths", _inches, 100),
        rings=read.many("rings", _inches, 100),
    )


def repeated_rows(maker: MakerFile) -> tuple[Problem, ...]:
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


def _inches(given: object) -> Fraction:
    return read_inches(given, "")


def _names(given: object) -> tuple[str, ...]:
    return read_many(given, lambda each: read_text(each, 60), 1000)


def _keyway(row: Reader, maker: str, specs: Collection[str]) -> MakerKeyway:
    name, family, spec = row.text("name", 60), row.text("family", 60), row.text("bitting_spec", 60)
    if spec and spec not in specs:
        row.refuse("bitting_spec", f"There is no bitting spec named {quoted(spec)}.")
    return MakerKeyway(maker, name, family, spec)


def _blank(row: Reader, maker: str) -> KeyBlank:
    return KeyBlank(
        maker,
        row.text("number", 60),
        row.value("keyways", _names),
        row.value("chambers", lambda value: read_typed_whole(value, 1, 12)),
        row.rows("cross_references", lambda each: (each.text("maker", 60), each.text("number", 60)), 100),
    )


def _cam(row: Reader, maker: str) -> Cam:
    return Cam(
        maker,
        row.text("name", 60),
        row.text("part_number", 60),
        row.value("locks", _names),
        row.rows("exceptions", lambda each: (each.text("lock", 60), each.text("reason", 200)), 200),
    )


def _lock(row: Reader, maker: str) -> LockModel:
    return LockModel(
        maker,
        row.text("name", 60),
        row.text("series", 60),
        row.text("takes", 20),
        case=row.optional("case", _inches),
        cam_depth=row.optional("cam_depth", _inches),
        bore_min=row.optional("bore_min", _inches),
        bore_max=row.optional("bore_max", _inches),
        backsets=row.many("backsets", _inches, 100),
    )


def _item(given: object, maker: str, patterns: Sequence[Pattern]) -> CatalogItem:
    item = read_item(given, maker)
    if item.category not in KEYED_CATEGORIES or not patterns:
        return item
    reading = decode_any(patterns, item.part_number)[0]
    return replace(item, part_number=reading.part_number, attributes=reading.attributes)


def load_makers(folder: Path) -> tuple[MakerFile, ...]:
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
            found = [Problem(f"makers.{path.name}: {each.field}", each.message) for each in error.problems]
            raise Problems(found) from error
    return tuple(makers)


def find_maker(makers: Sequence[MakerFile], wanted: str) -> MakerFile:
    """The maker with this code or name, capitals aside; BitternError lists those there are."""
    key = wanted.strip().casefold()
    for maker in makers:
        if key in (maker.code.casefold(), maker.name.casefold()):
            return maker
    known = ", ".join(f"{maker.code} ({maker.name})" for maker in makers)
    raise BitternError("maker", f"There is no maker {quoted(wanted)}. Known: {known}.")
