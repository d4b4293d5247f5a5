"""A maker's patterns as one sheet, a segment a row in the order of the number, and back into the maker's JSON."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from app.errors import BitternError, Problem, Problems
from app.fitting import maker_problems, read_maker
from app.ledger.catalog.cells import Row, sets_of, sets_text
from app.validation import Reader

SEGMENTS = "segments"
SEGMENT_COLUMNS = (
    *("pattern", "segment", "kind", "separator", "text", "means", "sets", "attribute", "digits", "unit"),
    *("least", "most", "left out"),
)
HINT = (
    "A row a segment, in the order of the number; a pattern begins where its name first stands. Kind: text (always "
    "the same), codes (its table is below; a new one begins with the code in 'text'), or number (a length, chambers "
    "or drilled). Separator: what stands before it. Left out: what it means when it is missing, such as 'standard "
    "cam = cam: standard', several parted by '|'; of codes entered before it stands in their own table."
)
_NUMBER = ("attribute", "digits", "unit", "least", "most")
_PRINTED = ("text", "means", "sets")
_FOREIGN = {"text": _NUMBER, "codes": _NUMBER, "number": _PRINTED}
"""The columns that say nothing of a kind: what is typed there was meant for something else."""


def show_segments(tables: Mapping[str, Any]) -> list[Row]:
    """Every segment of every pattern as text by column."""
    rows = []
    for pattern in tables.get("patterns", []):
        for segment in pattern["segments"]:
            row = dict.fromkeys(SEGMENT_COLUMNS, "")
            row |= {"pattern": pattern["name"], "segment": segment["name"], "kind": segment["kind"]}
            row["separator"] = segment.get("separator", "")
            if segment["kind"] == "text":
                row |= {"text": segment["text"], "means": segment.get("words", "")}
                row["sets"] = sets_text(segment.get("sets") or {})
            if segment["kind"] == "number":
                row |= {name: str(segment.get(name, "")) for name in _NUMBER}
            if segment["kind"] != "codes":
                row["left out"] = " | ".join(_meaning_text(each) for each in segment.get("missing", []))
            rows.append(row)
    return rows


def _meaning_text(given: Mapping[str, Any]) -> str:
    sets = sets_text(given.get("sets") or {})
    return f"{given['words']} = {sets}" if sets else str(given["words"])


def _meanings(text: str) -> list[dict[str, Any]]:
    found = []
    for part in filter(None, (each.strip() for each in text.split("|"))):
        words, _, sets = part.partition("=")
        try:
            found.append({"sets": sets_of(sets), "words": words.strip()})
        except BitternError as error:
            raise BitternError("", "Write it as 'standard cam = cam: standard'.") from error
    return found


def read_segments(tables: Mapping[str, Any], rows: Sequence[tuple[int, Row]]) -> dict[str, Any]:
    """The maker's JSON with its patterns as these rows say, each given with the number that problems name it by.

    A pattern keeps its rules and a segment its codes by name, or by its place where only the name is new. Raises
    Problems on 'row N, column': a row that cannot be read, or numbers that cannot be told apart.
    """
    changed: dict[str, Any] = copied(tables)
    names = list(dict.fromkeys(row["pattern"] for _, row in rows))
    before = changed.get("patterns", [])
    patterns: list[dict[str, Any]] = []
    numbers: list[list[int]] = []
    problems: list[Problem] = []
    for place, name in enumerate(names):
        own = [(number, row) for number, row in rows if row["pattern"] == name]
        former = _former(before, names, place, name)
        listed = [row["segment"] for _, row in own]
        segments = []
        for index, (number, row) in enumerate(own):
            known = _former(former.get("segments", []), listed, index, row["segment"])
            foreign = _foreign(row, known)
            problems += [Problem(f"row {number}, {each.field}", each.message) for each in foreign]
            try:
                segments.append(_segment(row, known))
            except Problems as refused:
                problems += [Problem(f"row {number}, {each.field}", each.message) for each in refused.problems]
            else:
                problems += _problems_alone(number, segments[-1])
        problems += _named_twice(own)
        patterns.append({"name": name, "segments": segments, "rules": former.get("rules", [])})
        numbers.append([number for number, _ in own])
    if problems:
        raise Problems(sorted(problems, key=row_of))
    changed["patterns"] = patterns
    found = [_named(numbers, problem) for problem in _problems(changed)]
    if found:
        raise Problems(found)
    return changed


def _former(before: Sequence[Any], names: Sequence[str], place: int, name: str) -> dict[str, Any]:
    """What has this name already; else what stood at its place, unless that only moved elsewhere; else nothing."""
    for each in before:
        if each["name"] == name:
            return dict(each)
    if place < len(before) and before[place]["name"] not in names and len(before) == len(names):
        return dict(before[place])
    return {}


def _segment(row: Row, former: Mapping[str, Any]) -> dict[str, Any]:
    kind, read = row["kind"].casefold(), Reader(row)
    given: dict[str, Any] = {"name": row["segment"], "kind": kind}
    if row["separator"]:
        given["separator"] = row["separator"]
    same = former if former.get("kind") == kind else {}
    if kind == "text":
        given |= {"text": row["text"], "words": row["means"] or row["segment"]}
        if row["sets"]:
            given["sets"] = read.value("sets", sets_of)
    elif kind == "codes":
        given["codes"] = same.get("codes") or [_first_code(read)]
        if same.get("missing"):
            given["missing"] = same["missing"]
    elif kind == "number":
        given |= {name: _whole(row[name]) for name in _NUMBER if row[name]}
    else:
        read.refuse("kind", "Use text, codes or number.")
    if row["left out"]:
        given["missing"] = read.value("left out", _meanings)
    if read.problems:
        raise Problems(read.problems)
    return given


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


def _named_twice(rows: Sequence[tuple[int, Row]]) -> list[Problem]:
    """The segments of one pattern that have the name of one above."""
    first: dict[str, int] = {}
    return [
        Problem(f"row {number}, segment", f"Two segments are named '{row['segment']}'; rename one.")
        for number, row in rows
        if row["segment"] and first.setdefault(row["segment"].casefold(), number) != number
    ]


def row_of(problem: Problem) -> int:
    """The row that a problem of a table names; 0 for one of the table as a whole."""
    found = re.match(r"row (\d+)", problem.field)
    return int(found[1]) if found else 0


def _whole(text: str) -> int | str:
    """A whole number as one; what is none is left for the reader to refuse by its field."""
    return int(text) if text.isdecimal() and text.isascii() and len(text) < 6 else text


def _first_code(read: Reader) -> dict[str, Any]:
    code, words = read.raw("text"), read.raw("means")
    if not code or not words:
        read.refuse("text", "A new code table begins with one code: enter it and what it means.")
    return {"code": code, "words": words, "sets": read.value("sets", sets_of)}


def _problems(tables: dict[str, Any]) -> list[Problem]:
    found = maker_problems({**tables, "items": []})
    return [problem for problem in found if problem.field.startswith("patterns[")] or list(found)


def _problems_alone(number: int, segment: dict[str, Any]) -> list[Problem]:
    """What is wrong with one segment, whatever the others are, so that each bad row is told."""
    try:
        read_maker({"name": "alone", "code": "alone", "patterns": [{"name": "alone", "segments": [segment]}]})
    except Problems as refused:
        return [_named([[number]], problem) for problem in refused.problems]
    return []


def _named(numbers: Sequence[Sequence[int]], problem: Problem) -> Problem:
    """The problem by row and column instead of its path in the JSON."""
    found = re.match(r"patterns\[(\d+)\](?:\.segments\[(\d+)\](?:\.(\w+))?)?", problem.field)
    if found is None:
        return Problem("the table", problem.message)
    own = numbers[int(found[1]) - 1]
    if found[2] is None:
        return Problem(f"row {own[0]}, pattern" if own else "the table", problem.message)
    column = {"name": "segment", "words": "means", "missing": "left out", "codes": "text"}.get(found[3], found[3])
    return Problem(f"row {own[int(found[2]) - 1]}, {column or 'segment'}", problem.message)


def copied(given: Any) -> Any:
    """JSON values anew, so that the row on record is not changed under the session's feet."""
    if isinstance(given, Mapping):
        return {name: copied(value) for name, value in given.items()}
    return [copied(each) for each in given] if isinstance(given, list) else given
