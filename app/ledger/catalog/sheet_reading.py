"""The rows of one sheet of a maker, read into the maker's JSON; everything that is wrong by row and column."""

import copy
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from app.errors import BitternError, Problem, Problems
from app.fitting import families_in, family_faults, maker_problems
from app.ledger.catalog.sheets import NUMBER_COLUMNS, SEGMENTS, Row, Sheet, read_sets
from app.spreadsheets import unguarded
from app.validation import Reader

MOST_ROWS = 5_000
_PRINTED = ("text", "means", "sets")
_FOREIGN = {"text": NUMBER_COLUMNS, "codes": NUMBER_COLUMNS, "number": _PRINTED}
"""The columns that say nothing of a kind: what is typed there was meant for something else."""

_OF_SEGMENTS = {"name": "segment", "words": "means", "missing": "left out", "codes": "text"}


@dataclass(slots=True)
class _Reading:
    """What becomes of a sheet: the maker's JSON with its rows, the number of the row at each path in it, and what is
    wrong with single cells. None stands for a row with a cell that cannot be read, of which no more is told."""

    tables: dict[str, Any]
    rows: dict[str, int] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    def put(self, path: str, number: int, value: Any, refused: Sequence[Problem]) -> Any:
        """What stands at a row's path: the value, or None where cells were refused."""
        self.problems += _of_row(number, refused)
        if refused:
            return None
        self.rows[path] = number
        return value


def _of_row(number: int, problems: Iterable[Problem]) -> list[Problem]:
    return [Problem(f"row {number}, {each.field}", each.message) for each in problems]


def read_sheet(
    tables: Mapping[str, Any],
    sheet: Sheet,
    rows: Sequence[tuple[int, Row]],
    others: Sequence[Mapping[str, Any]] | None = None,
) -> dict[str, Any]:
    """The maker's JSON with this sheet's rows, each given with the number that problems name it by.

    Empty rows are passed over. Raises Problems, each on 'row N, column', when a row or the maker as a whole could
    not be read with them: a code twice, numbers that cannot be told apart, a keyway without its spec. others: the
    tables of the other makers, so that names are refused that no maker's table has.
    """
    if len(rows) > MOST_ROWS:
        raise BitternError("file", f"At most {MOST_ROWS:,} rows fit in one table.")
    filled: list[tuple[int, Row]] = []
    for number, cells in rows:
        row = {name: unguarded(" ".join(cells.get(name, "").split())) for name in sheet.columns}
        if any(row.values()):
            filled.append((number, row))
    # Anew, so that the row on record is not changed under the session's feet.
    reading = _Reading(copy.deepcopy(dict(tables)))
    if sheet.key == SEGMENTS:
        _put_segments(reading, filled)
    else:
        _put_rows(reading, sheet, filled)
    problems = [*reading.problems, *_twice(sheet, filled)]
    told = {each.field for each in problems}
    whole: list[Problem] = []
    found = [*_problems(reading.tables, sheet), *_unknown_names(reading.tables, sheet, others)]
    if sheet.key == "blanks" and others is not None and not problems and not found:
        found += family_problems(reading.tables, others)
    for each in found:
        is_of_a_row, placed = _placed(reading, sheet, each)
        if not is_of_a_row:
            whole.append(placed)
        elif placed.field not in told:
            problems.append(placed)
    if problems:
        raise Problems(sorted(problems, key=_row_of))
    if whole:
        raise Problems(whole)
    return reading.tables


def _put_rows(reading: _Reading, sheet: Sheet, rows: Sequence[tuple[int, Row]]) -> None:
    holder = sheet.holder(reading.tables)
    lists: dict[str, list[Any]] = {name: [] for name in sheet.lists}
    for number, row in rows:
        name = sheet.lists[0 if row[sheet.columns[0]] else -1]
        path = f"{sheet.path}{name}[{len(lists[name]) + 1}]"
        lists[name].append(reading.put(path, number, *_read_row(sheet, row)))
    holder.update(lists)
    if not lists.get("missing", True):
        del holder["missing"]


def _read_row(sheet: Sheet, row: Row) -> tuple[Any, list[Problem]]:
    values: dict[str, Any] = {}
    problems = []
    for cell in sheet.cells:
        if row[cell.heading] or not cell.is_optional:
            try:
                values[cell.field] = cell.read(row[cell.heading])
            except BitternError as refused:
                problems.append(Problem(cell.heading, refused.message))
    return values.get("", values), problems


def _twice(sheet: Sheet, rows: Sequence[tuple[int, Row]]) -> Iterator[Problem]:
    """The rows that say what a row above says in the columns that no two have in common."""
    first: dict[tuple[str, ...], int] = {}
    for number, row in rows:
        own = tuple(row[column].casefold() for column in sheet.unique)
        if own and own[-1] and first.setdefault(own, number) != number:
            column = sheet.unique[-1]
            yield Problem(
                f"row {number}, {column}",
                f"{row[column]} stands twice: row {first[own]} has it; rename or remove one.",
            )


def _problems(tables: dict[str, Any], sheet: Sheet) -> list[Problem]:
    """What is wrong with the sheet's part of the maker."""
    begins = f"patterns[{sheet.place[0] + 1}]" if sheet.place else sheet.lists[0]
    return [each for each in maker_problems({**tables, "items": []}) if each.field.startswith(begins)]


def _placed(reading: _Reading, sheet: Sheet, problem: Problem) -> tuple[bool, Problem]:
    """The problem by row and column of the sheet instead of its path in the JSON, and whether it is one row's."""
    path, within = problem.field, ""
    while path and path not in reading.rows:
        path, _, last = path.rpartition(".")
        within = f"{last}.{within}"
    if not path:
        return False, Problem("the table", problem.message)
    if sheet.key == SEGMENTS and "segments" not in path:
        return path.endswith("name"), Problem(f"row {reading.rows[path]}, pattern", problem.message)
    names = {cell.field: cell.heading for cell in sheet.cells} | (_OF_SEGMENTS if sheet.key == SEGMENTS else {})
    name = within.partition(".")[0].partition("[")[0]
    return True, Problem(f"row {reading.rows[path]}, {names.get(name, name) or sheet.columns[0]}", problem.message)


def _row_of(problem: Problem) -> int:
    return int(problem.field.removeprefix("row ").partition(",")[0])


def _unknown_names(
    tables: Mapping[str, Any], sheet: Sheet, others: Sequence[Mapping[str, Any]] | None
) -> Iterator[Problem]:
    """What the rows of a sheet name that no maker's table has: locks of cams, keyways of blanks.

    A misspelled lock in a cam's exceptions would never be told, and the counter would sell the cam for it.
    """
    everyone = [tables, *others] if others is not None else []
    if everyone and sheet.key == "cams":
        held = [lock for each in everyone for lock in each.get("locks", [])]
        locks = {lock["name"].casefold() for lock in held}
        named = locks | {lock["series"].casefold() for lock in held}
        for number, cam in _read_rows(tables["cams"]):
            for name in cam["locks"]:
                if name.casefold() not in named:
                    text = f"No maker's table has a lock or series {name}: mend it, or enter the lock first."
                    yield Problem(f"cams[{number}].locks", text)
            for exception in cam["exceptions"]:
                if exception["lock"].casefold() not in locks:
                    text = f"No maker's table has a lock {exception['lock']}, so this exception would never be told."
                    yield Problem(f"cams[{number}].exceptions", text)
    if everyone and sheet.key == "blanks":
        keyways = {name for each in everyone for name in _keyways(each)}  # letters count: so are they compared
        for number, blank in _read_rows(tables["key_blanks"]):
            for name in blank["keyways"]:
                if name not in keyways:
                    text = f"No maker's table has a keyway {name}: mend it, or enter the keyway first."
                    yield Problem(f"key_blanks[{number}].keyways", text)


def family_problems(tables: Mapping[str, Any], others: Iterable[Mapping[str, Any]]) -> list[Problem]:
    """What a maker's key blanks say that cannot be, beside those of the other makers, by its place in the JSON."""
    return [
        Problem(f"{one.table}[{one.row}].{one.column.replace(' ', '_')}", one.message)
        for one in family_faults(*families_in([tables, *others]))
        if one.is_contradiction and one.maker == tables["name"]
    ]


def _read_rows(rows: Iterable[Any]) -> Iterator[tuple[int, Any]]:
    """The rows whose cells could be read, with their places from 1."""
    return ((number, row) for number, row in enumerate(rows, 1) if row is not None)


def _keyways(tables: Mapping[str, Any]) -> Iterator[str]:
    """The keyways of a maker: those of their table, and those that its part numbers can say."""
    for keyway in tables.get("keyways", []):
        yield keyway["name"]
    for pattern in tables.get("patterns", []):
        for segment in pattern["segments"]:
            for row in (segment, *segment.get("codes", []), *segment.get("missing", [])):
                if name := (row.get("sets") or {}).get("keyway"):
                    yield name


def _meanings(text: str) -> list[dict[str, Any]]:
    found = []
    for part in filter(None, (each.strip() for each in text.split("|"))):
        words, _, sets = part.partition("=")
        try:
            found.append({"sets": read_sets(sets), "words": words.strip()})
        except BitternError as error:
            raise BitternError("", "Write it as 'standard cam = cam: standard'.") from error
    return found


def _put_segments(reading: _Reading, rows: Sequence[tuple[int, Row]]) -> None:
    """Put the patterns as these rows say. A pattern keeps its rules and a segment its codes by name, or by its place
    where only the name is new."""
    before = reading.tables.get("patterns", [])
    names = list(dict.fromkeys(row["pattern"] for _, row in rows))
    reading.tables["patterns"] = []
    for place, name in enumerate(names):
        own = [(number, row) for number, row in rows if row["pattern"] == name]
        path = f"patterns[{place + 1}]"
        reading.rows[path] = reading.rows[f"{path}.name"] = own[0][0]
        former = _former(before, names, place, name)
        listed = [row["segment"] for _, row in own]
        segments = []
        for index, (number, row) in enumerate(own):
            known = _former(former.get("segments", []), listed, index, row["segment"])
            foreign = _foreign(row, known)
            reading.problems += _of_row(number, foreign)
            segments.append(reading.put(f"{path}.segments[{index + 1}]", number, *_segment(row, known)))
        pattern = {"name": name, "segments": segments, "rules": former.get("rules", [])}
        reading.tables["patterns"].append(pattern)


def _former(before: Sequence[Any], names: Sequence[str], place: int, name: str) -> dict[str, Any]:
    """What has this name already; else what stood at its place, unless that only moved elsewhere; else nothing."""
    for each in before:
        if each["name"] == name:
            return dict(each)
    if place < len(before) and before[place]["name"] not in names and len(before) == len(names):
        return dict(before[place])
    return {}


def _segment(row: Row, former: Mapping[str, Any]) -> tuple[dict[str, Any], list[Problem]]:
    """A segment's JSON, and what is wrong with its cells."""
    kind, read = row["kind"].casefold(), Reader(row)
    given: dict[str, Any] = {"name": row["segment"], "kind": kind}
    if row["separator"]:
        given["separator"] = row["separator"]
    same = former if former.get("kind") == kind else {}
    if kind == "text":
        given |= {"text": row["text"], "words": row["means"] or row["segment"]}
        if row["sets"]:
            given["sets"] = read.value("sets", read_sets)
    elif kind == "codes":
        given["codes"] = same.get("codes") or [_first_code(read)]
        if same.get("missing"):
            given["missing"] = same["missing"]
    elif kind == "number":
        given |= {name: _whole(row[name]) for name in NUMBER_COLUMNS if row[name]}
    else:
        read.refuse("kind", "Use text, codes or number.")
    if row["left out"]:
        given["missing"] = read.value("left out", _meanings)
    return given, read.problems


def _whole(text: str) -> int | str:
    """A whole number as one; what is none is left for the reader to refuse by its field."""
    return int(text) if text.isdecimal() and text.isascii() and len(text) < 6 else text


def _first_code(read: Reader) -> dict[str, Any]:
    code, words = read.raw("text"), read.raw("means")
    if not code or not words:
        read.refuse("text", "A new code table begins with one code: enter it and what it means.")
    return {"code": code, "words": words, "sets": read.value("sets", read_sets)}


def _foreign(row: Row, former: Mapping[str, Any]) -> list[Problem]:
    """What stands in columns that would be passed over."""
    kind = row["kind"].casefold()
    found = [
        Problem(column, f"A segment of the kind {kind} has no {column}: empty this cell.")
        for column in _FOREIGN.get(kind, ())
        if row[column]
    ]
    if kind == "codes" and former.get("kind") == kind and former.get("codes"):
        found += [
            Problem(column, "The codes of this segment have a table of their own: enter it there.")
            for column in (*_PRINTED, "left out")
            if row[column]
        ]
    return found
