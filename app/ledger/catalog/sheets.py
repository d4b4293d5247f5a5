"""A maker's tables as sheets of text cells, for a page, a CSV or a spreadsheet, and back into the maker's JSON."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from app.errors import BitternError, Problem, Problems
from app.fitting import (
    PatternRule,
    check_parts,
    check_pattern,
    pattern_from_json,
    read_maker,
    repeated_rows,
)
from app.ledger.catalog.cells import (
    LOCK_COLUMNS,
    Row,
    read_blank,
    read_cam,
    read_code,
    read_keyway,
    read_lock,
    read_rule,
    show_blank,
    show_cam,
    show_code,
    show_keyway,
    show_lock,
    show_rule,
)
from app.ledger.catalog.segments import HINT, SEGMENT_COLUMNS, SEGMENTS, copied, read_segments, row_of, show_segments
from app.spreadsheets import unguarded
from app.validation import read_entries

MOST_ROWS = 5_000


@dataclass(frozen=True, slots=True)
class Sheet:
    """One table of a maker: its key in addresses, its title, its columns, a hint, and where it lies in the JSON.

    `path` leads to the list (or, for codes, to the segment); `show` and `read` turn one row's JSON into cells and
    back, where `read` raises BitternError on a column.
    """

    key: str
    title: str
    columns: tuple[str, ...]
    hint: str
    path: tuple[str | int, ...]
    show: Callable[[Any], Row]
    read: Callable[[Row], Any]


_FIXED = (
    Sheet(
        "keyways",
        "Keyways",
        ("name", "family", "bitting spec"),
        "The bitting spec is one on record, by its name.",
        ("keyways",),
        show_keyway,
        read_keyway,
    ),
    Sheet(
        "blanks",
        "Key blanks",
        ("number", "keyways", "chambers", "cross references"),
        "Keyways that the blank enters, parted by commas. Cross references as 'Maker: number; Maker: number'.",
        ("key_blanks",),
        show_blank,
        read_blank,
    ),
    Sheet(
        "cams",
        "Cams",
        ("name", "part number", "locks", "exceptions"),
        "Locks are series or lock names, parted by commas. Exceptions as 'Lock: reason | Lock: reason'.",
        ("cams",),
        show_cam,
        read_cam,
    ),
    Sheet(
        "locks",
        "Locks",
        LOCK_COLUMNS,
        "Takes a cylinder type: mortise, rim, bored, sfic or lfic. Measures in inches.",
        ("locks",),
        show_lock,
        read_lock,
    ),
    Sheet(
        "lengths",
        "Mortise lengths",
        ("length",),
        "Lengths to be had, in inches, from the underside of the head to the back of the cam.",
        ("lengths",),
        lambda length: {"length": str(length)},
        lambda row: row["length"],
    ),
    Sheet(
        "rings",
        "Rings and collars",
        ("thickness",),
        "Thicknesses to be had, in inches.",
        ("rings",),
        lambda ring: {"thickness": str(ring)},
        lambda row: row["thickness"],
    ),
)
# Patterns and segments together are one sheet, since their order is what they mean.
_SEGMENTS = Sheet(SEGMENTS, "Patterns, segment by segment", SEGMENT_COLUMNS, HINT, ("patterns",), dict, dict)


def sheets_of(tables: Mapping[str, Any]) -> tuple[Sheet, ...]:
    """The sheets of a maker: keyways, blanks, cams, locks, sizes, segments, then each pattern's codes and rules."""
    found = [*_FIXED, _SEGMENTS]
    for place, pattern in enumerate(tables.get("patterns", [])):
        for index, segment in enumerate(pattern["segments"]):
            if segment["kind"] == "codes":
                hint = "Sets as 'keyway: Q1; chambers: 6'. A row without a code is what it means when left out."
                title = f"{pattern['name']}: codes of {segment['name']}"
                path: tuple[str | int, ...] = ("patterns", place, "segments", index)
                key = f"codes-{place + 1}-{index + 1}"
                found.append(Sheet(key, title, ("code", "means", "sets"), hint, path, show_code, read_code))
        hint = "Conditions as 'type: mortise; cam: none'. Allow: when that holds, only then exists. Forbid: no then."
        path = ("patterns", place, "rules")
        columns = ("kind", "when", "then", "reason")
        found.append(
            Sheet(f"rules-{place + 1}", f"{pattern['name']}: rules", columns, hint, path, show_rule, read_rule)
        )
    return tuple(found)


def find_sheet(tables: Mapping[str, Any], key: str) -> Sheet:
    """The sheet with this key; BitternError when the maker has none such."""
    for sheet in sheets_of(tables):
        if sheet.key == key:
            return sheet
    raise BitternError("sheet", "This maker has no such table.")


def _is_codes(sheet: Sheet) -> bool:
    return sheet.key.startswith("codes-")


def _at(tables: Any, path: Sequence[str | int]) -> Any:
    for step in path:
        tables = tables[step] if isinstance(step, int) else tables.get(step, [])
    return tables


def sheet_rows(tables: Mapping[str, Any], sheet: Sheet) -> list[Row]:
    """The rows of a sheet as text by column."""
    if sheet.key == SEGMENTS:
        return show_segments(tables)
    held = _at(tables, sheet.path)
    listed = [*held["codes"], *held.get("missing", [])] if _is_codes(sheet) else held
    return [sheet.show(row) for row in listed]


def read_sheet(tables: Mapping[str, Any], sheet: Sheet, rows: Sequence[tuple[int, Row]]) -> dict[str, Any]:
    """The maker's JSON with this sheet's rows, each given with the number that problems name it by.

    Empty rows are passed over. Raises Problems, each on 'row N, column', when a row or the maker as a whole could
    not be read with them: a code twice, numbers that cannot be told apart, a keyway without its spec.
    """
    if len(rows) > MOST_ROWS:
        raise BitternError("file", f"At most {MOST_ROWS:,} rows fit in one table.")
    problems: list[Problem] = []
    given: list[Any] = []
    numbers: list[int] = []
    filled: list[tuple[int, Row]] = []
    for number, cells in rows:
        row = {name: unguarded(" ".join(cells.get(name, "").split())) for name in sheet.columns}
        if any(row.values()):
            filled.append((number, row))
    if sheet.key == SEGMENTS:
        return read_segments(tables, filled)
    for number, row in filled:
        try:
            given.append(sheet.read(row))
            numbers.append(number)
        except BitternError as refused:
            problems += [Problem(f"row {number}, {each.field}", each.message) for each in refused.problems]
    problems += _twice(sheet, filled)
    problems += [_named(sheet, numbers, given, problem) for problem in _row_problems(tables, sheet, given)]
    if problems:
        told = {row_of(problem) for problem in problems}
        problems += [each for each in _stray_rules(tables, sheet, numbers, given) if row_of(each) not in told]
        raise Problems(sorted(problems, key=row_of))
    changed: dict[str, Any] = copied(tables)
    _put(changed, sheet, given)
    problems = [_named(sheet, numbers, given, problem) for problem in _whole_problems(changed, sheet)]
    if problems:
        raise Problems(problems)
    return changed


def _twice(sheet: Sheet, rows: Sequence[tuple[int, Row]]) -> list[Problem]:
    """Rows that begin as a row above does; rules begin alike and are no less rules for it."""
    column, first = sheet.columns[0], dict[str, int]()
    if sheet.key.startswith("rules-"):
        return []
    return [
        Problem(f"row {number}, {column}", f"{row[column]} stands twice: row {first[row[column].casefold()]} has it.")
        for number, row in rows
        if row[column] and first.setdefault(row[column].casefold(), number) != number
    ]


def _stray_rules(
    tables: Mapping[str, Any], sheet: Sheet, numbers: Sequence[int], given: Sequence[Any]
) -> list[Problem]:
    """Of a table of rules with bad rows: which of the others speak of what no code gives."""
    if not sheet.key.startswith("rules-"):
        return []
    pattern = read_maker({**tables, "items": []}).patterns[int(sheet.path[1])]
    rules, _ = read_entries(given, _rule_alone)
    found = [each for each in check_parts(pattern.segments, rules) if each.field.startswith("rules[")]
    return [_named(sheet, numbers, given, problem) for problem in found]


def _rule_alone(row: Any) -> PatternRule:
    plain = {"name": "alone", "kind": "text", "text": "A"}
    return pattern_from_json({"name": "alone", "segments": [plain], "rules": [row]}).rules[0]


def _put(tables: dict[str, Any], sheet: Sheet, given: list[Any]) -> None:
    holder = _at(tables, sheet.path[:-1])
    if not _is_codes(sheet):
        holder[sheet.path[-1]] = given
        return
    segment = holder[sheet.path[-1]]
    segment["codes"] = [row for row in given if "code" in row]
    missing = [row for row in given if "code" not in row]
    segment.pop("missing", None)
    if missing:
        segment["missing"] = missing


def _row_problems(tables: Mapping[str, Any], sheet: Sheet, given: Sequence[Any]) -> list[Problem]:
    """What is wrong with the rows one by one, so that every one of them is told and not the first alone."""
    found: list[Problem] = []
    places = {"codes": 0, "missing": 0}
    for index, row in enumerate(given):
        name = str(sheet.path[-1])
        if _is_codes(sheet):
            name = "codes" if "code" in row else "missing"
            places[name] += 1
            index = places[name] - 1
        try:
            read_maker(_alone(tables, sheet, row))
        except Problems as refused:
            for problem in refused.problems:
                field = re.sub(rf"{re.escape(name)}\[1\]", f"{name}[{index + 1}]", problem.field, count=1)
                if _is_codes(sheet):
                    field = field.replace("segments[1]", f"segments[{int(sheet.path[3]) + 1}]", 1)
                found.append(Problem(field, problem.message))
    return found


def _alone(tables: Mapping[str, Any], sheet: Sheet, row: Any) -> dict[str, Any]:
    """The maker with this row in its table and nothing else."""
    first = str(sheet.path[0])
    alone = {**tables, "items": [], "patterns": []}
    if sheet.key != "keyways":
        alone["keyways"] = []
    if first != "patterns":
        return {**alone, first: [row]}
    plain = {"name": "alone", "kind": "text", "text": "A"}
    if not _is_codes(sheet):
        return {**alone, "patterns": [{"name": "alone", "segments": [plain], "rules": [row]}]}
    codes = {"name": "alone", "kind": "codes", "codes": [{"code": "A", "words": "a"}]}
    codes |= {"codes": [row]} if "code" in row else {"missing": [row]}
    return {**alone, "patterns": [{"name": "alone", "segments": [codes]}]}


def _whole_problems(tables: dict[str, Any], sheet: Sheet) -> list[Problem]:
    """What is wrong with the table as a whole, its rows being right."""
    try:
        maker = read_maker({**tables, "items": []})
    except Problems as refused:
        return list(refused.problems)
    if sheet.path[0] == "patterns":
        place = int(sheet.path[1])
        return [
            Problem(f"patterns[{place + 1}].{each.field}", each.message)
            for each in check_pattern(maker.patterns[place])
        ]
    return [each for each in repeated_rows(maker) if each.field.startswith(f"{sheet.path[0]}[")]


def _named(sheet: Sheet, numbers: Sequence[int], given: Sequence[Any], problem: Problem) -> Problem:
    """The problem by row and column of the sheet instead of its path in the JSON."""
    order = [*range(len(given))]
    if _is_codes(sheet):
        coded = [index for index in order if "code" in given[index]]
        kinds = {"codes": coded, "missing": [index for index in order if index not in coded]}
        found = re.search(
            rf"segments\[{int(sheet.path[3]) + 1}\]\.(codes|missing)\[(\d+)\](?:\.(\w+))?", problem.field
        )
        places = kinds[found[1]] if found else []
        column = {"words": "means"}.get(found[3] or "code", found[3] or "code") if found else ""
    else:
        found = re.search(rf"(?:^|\.){re.escape(str(sheet.path[-1]))}\[(\d+)\](?:\.(\w+))?", problem.field)
        places, column = order, (found[2] or sheet.columns[0]).replace("_", " ") if found else ""
    if found is None:
        return Problem("the table", problem.message)
    number = int(found[2] if _is_codes(sheet) else found[1]) - 1
    row = numbers[places[number]] if number < len(places) else "?"
    return Problem(f"row {row}, {column}", problem.message)
