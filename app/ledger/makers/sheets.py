"""A maker's tables as sheets of text cells, for a page, a CSV or a spreadsheet, and back into the maker's JSON."""

from __future__ import annotations

__all__ = ["Sheet", "find_sheet", "read_sheet", "sheet_rows", "sheets_of"]

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from app.errors import BitternError, Problem, Problems
from app.fitting import check_pattern, read_maker, unguarded

Row = dict[str, str]
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
    show: Callable[[Mapping[str, Any]], Row]
    read: Callable[[Row], dict[str, Any]]


def _listed(text: str) -> list[str]:
    return [each.strip() for each in text.split(",") if each.strip()]


def _pairs(text: str, column: str, form: str, between: str = ";") -> list[tuple[str, str]]:
    """'first: second; first: second' as pairs."""
    found = []
    for part in filter(None, (each.strip() for each in text.split(between))):
        first, mark, second = part.partition(":")
        if not mark or not first.strip() or not second.strip():
            raise BitternError(column, f"Write it as '{form}', several parted by '{between}'.")
        found.append((first.strip(), second.strip()))
    return found


def _measures(row: Row, *names: str) -> dict[str, Any]:
    return {name.replace(" ", "_"): row[name] for name in names if row[name]}


def _sets_of(text: str) -> dict[str, str]:
    return dict(_pairs(text, "sets", "keyway: Q1"))


def _sets_text(sets: Mapping[str, Any]) -> str:
    return "; ".join(f"{name}: {value}" for name, value in sets.items())


def _keyway_cells(row: Mapping[str, Any]) -> Row:
    return {"name": row["name"], "family": row["family"], "bitting spec": row["bitting_spec"]}


def _keyway(row: Row) -> dict[str, Any]:
    return {"name": row["name"], "family": row["family"], "bitting_spec": row["bitting spec"]}


def _blank_cells(row: Mapping[str, Any]) -> Row:
    return {
        "number": row["number"],
        "keyways": ", ".join(row["keyways"]),
        "chambers": str(row["chambers"]),
        "cross references": "; ".join(f"{e['maker']}: {e['number']}" for e in row.get("cross_references", [])),
    }


def _blank(row: Row) -> dict[str, Any]:
    crossed = _pairs(row["cross references"], "cross references", "Maker: number")
    return {
        "number": row["number"],
        "keyways": _listed(row["keyways"]),
        "chambers": row["chambers"],
        "cross_references": [{"maker": maker, "number": number} for maker, number in crossed],
    }


def _cam_cells(row: Mapping[str, Any]) -> Row:
    return {
        "name": row["name"],
        "part number": row["part_number"],
        "locks": ", ".join(row["locks"]),
        "exceptions": " | ".join(f"{each['lock']}: {each['reason']}" for each in row.get("exceptions", [])),
    }


def _cam(row: Row) -> dict[str, Any]:
    said = _pairs(row["exceptions"], "exceptions", "Lock: reason", "|")
    return {
        "name": row["name"],
        "part_number": row["part number"],
        "locks": _listed(row["locks"]),
        "exceptions": [{"lock": lock, "reason": reason} for lock, reason in said],
    }


_LOCK = ("name", "series", "takes", "case", "cam depth", "bore min", "bore max", "backsets")


def _lock_cells(row: Mapping[str, Any]) -> Row:
    cells = {name: str(row.get(name.replace(" ", "_")) or "") for name in _LOCK[:-1]}
    return {**cells, "backsets": ", ".join(str(each) for each in row.get("backsets", []))}


def _lock(row: Row) -> dict[str, Any]:
    backsets = _listed(row["backsets"])
    return {**_measures(row, *_LOCK[:-1]), **({"backsets": backsets} if backsets else {})}


def _code_cells(row: Mapping[str, Any]) -> Row:
    return {"code": row.get("code", ""), "means": row["words"], "sets": _sets_text(row.get("sets") or {})}


def _code(row: Row) -> dict[str, Any]:
    given: dict[str, Any] = {"sets": _sets_of(row["sets"]), "words": row["means"]}
    return {"code": row["code"], **given} if row["code"] else given


def _conditions_text(given: Mapping[str, Any]) -> str:
    return "; ".join(f"{name}: {', '.join(str(v) or 'none' for v in values)}" for name, values in given.items())


def _conditions(text: str, column: str) -> dict[str, list[str]]:
    said = _pairs(text, column, "type: mortise, rim")
    return {name: ["" if value == "none" else value for value in _listed(values)] for name, values in said}


def _rule_cells(row: Mapping[str, Any]) -> Row:
    return {
        "kind": row["kind"],
        "when": _conditions_text(row.get("when") or {}),
        "then": _conditions_text(row.get("then") or {}),
        "reason": row["reason"],
    }


def _rule(row: Row) -> dict[str, Any]:
    then = _conditions(row["then"], "then")
    return {
        "kind": row["kind"],
        "when": _conditions(row["when"], "when"),
        **({"then": then} if then else {}),
        "reason": row["reason"],
    }


_FIXED = (
    Sheet(
        "keyways",
        "Keyways",
        ("name", "family", "bitting spec"),
        "The bitting spec is one of the specs below, by its name.",
        ("keyways",),
        _keyway_cells,
        _keyway,
    ),
    Sheet(
        "blanks",
        "Key blanks",
        ("number", "keyways", "chambers", "cross references"),
        "Keyways that the blank enters, parted by commas. Cross references as 'Maker: number; Maker: number'.",
        ("key_blanks",),
        _blank_cells,
        _blank,
    ),
    Sheet(
        "cams",
        "Cams",
        ("name", "part number", "locks", "exceptions"),
        "Locks are series or lock names, parted by commas. Exceptions as 'Lock: reason | Lock: reason'.",
        ("cams",),
        _cam_cells,
        _cam,
    ),
    Sheet(
        "locks",
        "Locks",
        _LOCK,
        "Takes a cylinder type: mortise, rim, bored, sfic or lfic. Measures in inches.",
        ("locks",),
        _lock_cells,
        _lock,
    ),
)


def sheets_of(tables: Mapping[str, Any]) -> tuple[Sheet, ...]:
    """The sheets of a maker: keyways, blanks, cams, locks, then each pattern's code tables and rules."""
    found = list(_FIXED)
    for place, pattern in enumerate(tables.get("patterns", [])):
        for index, segment in enumerate(pattern["segments"]):
            if segment["kind"] == "codes":
                hint = "Sets as 'keyway: Q1; chambers: 6'. A row without a code is what it means when left out."
                title = f"{pattern['name']}: codes of {segment['name']}"
                path: tuple[str | int, ...] = ("patterns", place, "segments", index)
                key = f"codes-{place + 1}-{index + 1}"
                found.append(Sheet(key, title, ("code", "means", "sets"), hint, path, _code_cells, _code))
        hint = "Conditions as 'type: mortise; cam: none'. Allow: when that holds, only then exists. Forbid: no then."
        path = ("patterns", place, "rules")
        columns = ("kind", "when", "then", "reason")
        found.append(
            Sheet(f"rules-{place + 1}", f"{pattern['name']}: rules", columns, hint, path, _rule_cells, _rule)
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
    given: list[dict[str, Any]] = []
    numbers: list[int] = []
    for number, cells in rows:
        row = {name: unguarded(" ".join(cells.get(name, "").split())) for name in sheet.columns}
        if not any(row.values()):
            continue
        try:
            given.append(sheet.read(row))
            numbers.append(number)
        except BitternError as error:
            problems.append(Problem(f"row {number}, {error.field}", error.message))
    if problems:
        raise Problems(problems)
    changed: dict[str, Any] = _copy(tables)
    _put(changed, sheet, given)
    problems = [_named(sheet, numbers, given, problem) for problem in _problems(changed, sheet, len(given))]
    if problems:
        raise Problems(problems)
    return changed


def _put(tables: dict[str, Any], sheet: Sheet, given: list[dict[str, Any]]) -> None:
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


def _copy(given: Any) -> Any:
    if isinstance(given, Mapping):
        return {name: _copy(value) for name, value in given.items()}
    return [_copy(each) for each in given] if isinstance(given, list) else given


def _problems(tables: dict[str, Any], sheet: Sheet, count: int) -> list[Problem]:
    """What is wrong with the maker as it would be: the rows one by one first, then the patterns as wholes."""
    found: list[Problem] = []
    rows = range(count) if not _is_codes(sheet) and sheet.path[0] != "patterns" else range(0)
    for index in rows:
        alone = {**tables, **{name: [] for name in ("items", "patterns")}}
        alone[str(sheet.path[0])] = [tables[str(sheet.path[0])][index]]
        if sheet.key != "keyways":
            alone["keyways"] = []
        try:
            read_maker(alone)
        except BitternError as error:
            found.append(Problem(error.field.replace("[1]", f"[{index + 1}]", 1), error.message))
    if found:
        return found
    try:
        maker = read_maker({**tables, "items": []})
    except BitternError as error:
        return [Problem(error.field, error.message)]
    if sheet.path[0] == "patterns":
        place = int(sheet.path[1])
        return [
            Problem(f"patterns[{place + 1}].{each.field}", each.message)
            for each in check_pattern(maker.patterns[place])
        ]
    return _twice(tables, sheet)


def _twice(tables: Mapping[str, Any], sheet: Sheet) -> list[Problem]:
    first = sheet.columns[0]
    seen: dict[str, int] = {}
    found = []
    for number, row in enumerate(tables[str(sheet.path[0])], 1):
        name = str(row[first]).casefold()
        if name in seen:
            found.append(Problem(f"{sheet.path[0]}[{number}].{first}", f"{row[first]} stands there twice."))
        seen[name] = number
    return found


def _named(sheet: Sheet, numbers: Sequence[int], given: Sequence[Mapping[str, Any]], problem: Problem) -> Problem:
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
