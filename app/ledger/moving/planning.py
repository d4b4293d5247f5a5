"""What an export would do in this house, table by table, and everything that stands in its way."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import sqlalchemy as sa

from app.errors import BitternError, Problem
from app.ledger.moving.cells import read_cell, write_cell
from app.ledger.moving.integrity import across_tables
from app.ledger.moving.merged_rows import MergedRows, Values
from app.ledger.moving.people import People
from app.ledger.moving.reading import ReadRow, read_export
from app.ledger.moving.story import plan_story
from app.ledger.moving.tables import EVENT_CHAIN, TABLES, MovedTable
from app.ledger.store.work import Work

MOST_TOLD = 500


@dataclass(frozen=True, slots=True)
class TablePlan:
    """What one table of an export would do here. `inserts` and `updates` are rows of values by column."""

    moved: MovedTable
    inserts: tuple[Values, ...] = field(repr=False)
    updates: tuple[Values, ...] = field(repr=False)
    unchanged: int
    unnamed: int


@dataclass(frozen=True, slots=True)
class HousePlan:
    """What an export would do here; with a problem, nothing of it can be taken in.

    people: names that nobody in this house has; they would be entered without a login.
    """

    tables: tuple[TablePlan, ...]
    problems: tuple[Problem, ...]
    people: tuple[str, ...] = ()

    @property
    def rows(self) -> int:
        """How many rows would be added or brought to what the file says."""
        return sum(len(one.inserts) + len(one.updates) for one in self.tables)

    @property
    def seal(self) -> str:
        """Tells this plan from another, so that what was shown is what is taken in."""
        tables = [(one.moved.name, len(one.inserts), one.updates, one.unchanged) for one in self.tables]
        return hashlib.sha256(repr((tables, self.people)).encode()).hexdigest()[:32]


def plan_house(work: Work, name: str, content: bytes) -> HousePlan:
    """What the export `name` (.zip or .xlsx) would do to this house; nothing is saved.

    BitternError on `file` when it cannot be opened; what is wrong with its rows is in the plan, by table, row and
    column.
    """
    work.require_owner()
    tables, problems = read_export(name, content)
    if problems:
        return _told((), problems)
    so_far = _SoFar(work, People(work.session), MergedRows(), problems)
    plans = []
    for moved in TABLES:
        read = _read(so_far, moved, tables.get(moved.name, []))
        plans.append((_story_plan if moved.is_story else _plan)(so_far, moved, read))
    # What rows are to each other is asked once each of them may stand: else one slip would be told many times.
    if not problems:
        problems += across_tables(so_far.found)
    return _told(tuple(plans), problems, so_far.people.new)


@dataclass(frozen=True, slots=True)
class _SoFar:
    """What was gathered of the tables before the one that is looked at; its problems are added as they are met."""

    work: Work
    people: People
    found: MergedRows
    problems: list[Problem]


def _told(plans: tuple[TablePlan, ...], problems: Sequence[Problem], people: tuple[str, ...] = ()) -> HousePlan:
    return HousePlan(plans, tuple(problems[:MOST_TOLD]), people)


def _read(so_far: _SoFar, moved: MovedTable, rows: Sequence[ReadRow]) -> list[tuple[int, Values]]:
    """The rows that can be read, each with its number in the file; no two with one key."""
    read, named = [], set()
    for row in rows:
        values = _values(so_far, moved, row)
        if values is None:
            continue
        key = values[moved.key.name]
        if key in named:
            so_far.problems.append(moved.problem(row.number, moved.key.name, f"{key} stands twice in this table."))
            continue
        named.add(key)
        read.append((row.number, values))
    return read


def _plan(so_far: _SoFar, moved: MovedTable, read: Sequence[tuple[int, Values]]) -> TablePlan:
    """Compare one table with what is on record."""
    key, problems = moved.key.name, so_far.problems
    rows = so_far.work.session.execute(sa.select(*moved.columns)).mappings()
    known = {row[key]: so_far.people.with_names(dict(row), moved.people) for row in rows}
    known.pop(EVENT_CHAIN, None)
    problems += _dangling(moved, read, so_far.found, {*known, *(values[key] for _, values in read)})
    problems += _doubled(moved, read, known)
    inserts, updates, unchanged = [], [], 0
    for number, values in read:
        here = known.get(values[key])
        if here is None:
            inserts.append((number, values))
            continue
        different = [one.name for one in moved.columns if one.name in values and here[one.name] != values[one.name]]
        if moved.is_setting and moved.key.name == "name" and different:
            # A number that was given out is never given out again.
            values["value"] = max(values["value"], here["value"])
            different = [] if values["value"] == here["value"] else different
        if not different:
            unchanged += 1
        elif moved.is_setting:
            updates.append((number, values))
        else:
            problems.append(_differs(moved, number, different[0], here[different[0]]))
    unnamed = len(known.keys() - {values[key] for _, values in read})
    so_far.found.add(moved, known, read, [*inserts, *updates])
    return TablePlan(
        moved, tuple(values for _, values in inserts), tuple(values for _, values in updates), unchanged, unnamed
    )


def _story_plan(so_far: _SoFar, moved: MovedTable, read: Sequence[tuple[int, Values]]) -> TablePlan:
    further, unchanged, unnamed, refused = plan_story(so_far.work, moved, so_far.people, read)
    so_far.problems.extend([*_dangling(moved, read, so_far.found, set()), *refused])
    so_far.found.add(moved, {}, read, further)
    return TablePlan(moved, tuple(values for _, values in further), (), unchanged, unnamed)


def _differs(moved: MovedTable, number: int, name: str, here: Any) -> Problem:
    column = next(one for one in moved.columns if one.name == name)
    said = here if name in moved.people else write_cell(column, here)
    return moved.problem(
        number,
        name,
        f"On record here it is {said[:60]!r}. An export goes into an empty house, or into one that holds the same "
        "rows.",
    )


def _values(so_far: _SoFar, moved: MovedTable, row: ReadRow) -> Values | None:
    """The row's values by column, people by name; None, and its problems told, where one cannot be."""
    values: Values = {}
    found: list[Problem] = []
    for column, title in zip(moved.columns, moved.titles, strict=True):
        if title not in row.cells:
            continue  # a column that this release added since: its default holds
        text = row.cells[title]
        try:
            is_person = column.name in moved.people and (text or not column.nullable)
            values[column.name] = so_far.people.read(text, column.name) if is_person else read_cell(column, text)
        except BitternError as error:
            found.append(moved.problem(row.number, column.name, error.message))
    if not found and moved.key.name == "id" and values["id"] < 1:
        found.append(moved.problem(row.number, "id", "Row numbers begin at 1."))
    if not found and moved.check is not None:
        try:
            moved.check(values)
        except BitternError as error:
            told = error.problems
            found += [moved.problem(row.number, each.field, each.message) for each in told]
    so_far.problems.extend(found)
    return None if found else values


def _dangling(
    moved: MovedTable, read: Sequence[tuple[int, Values]], found: MergedRows, own: Collection[Any]
) -> list[Problem]:
    problems = []
    names = {one.table.name: one.name for one in TABLES}
    for number, values in read:
        for name, target in moved.links:
            value = values.get(name)
            if value is None or found.has(target, value) or (target == moved.table.name and value in own):
                continue
            problems.append(moved.problem(number, name, f"There is no row {value} in {names[target]}."))
    return problems


def _doubled(moved: MovedTable, read: Sequence[tuple[int, Values]], known: Mapping[Any, Values]) -> list[Problem]:
    """Rows that the table's unique constraints refuse, among each other and beside what is on record."""
    found = []
    for names in _unique(moved):
        seen = {tuple(row.get(name) for name in names): key for key, row in known.items()}
        for number, values in read:
            value = tuple(values.get(name) for name in names)
            key = values[moved.key.name]
            if None not in value and seen.setdefault(value, key) != key:
                told = f"{value[-1]} stands there already in another row; each row has its own."
                found.append(moved.problem(number, names[-1], told))
    return found


def _unique(moved: MovedTable) -> list[tuple[str, ...]]:
    constraints = (one for one in moved.table.constraints if isinstance(one, sa.UniqueConstraint))
    return [tuple(column.name for column in one.columns) for one in constraints]
