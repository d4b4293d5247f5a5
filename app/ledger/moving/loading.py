"""Take an export into this house: what it would do, then all of it, or nothing."""

from __future__ import annotations

__all__ = ["HousePlan", "TablePlan", "import_house", "plan_house"]

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError, Problem, Problems
from app.ledger.engine import transaction
from app.ledger.errors import Stale
from app.ledger.events.actions import record
from app.ledger.keysystems.models import Keyset
from app.ledger.moving.cells import read_cell, write_cell
from app.ledger.moving.reading import ReadRow, read_export
from app.ledger.moving.tables import EVENT_CHAIN, TABLES, MovedTable
from app.ledger.work import Work

STEP = 5000
MOST_TOLD = 500
Values = dict[str, Any]


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
    """What an export would do here; with a problem, nothing of it can be taken in."""

    tables: tuple[TablePlan, ...]
    problems: tuple[Problem, ...]
    more_problems: int = 0

    @property
    def rows(self) -> int:
        """How many rows would be added or brought to what the file says."""
        return sum(len(one.inserts) + len(one.updates) for one in self.tables)

    @property
    def seal(self) -> str:
        """Tells this plan from another, so that what was shown is what is taken in."""
        told = repr([(one.moved.name, len(one.inserts), one.updates, one.unchanged) for one in self.tables])
        return hashlib.sha256(told.encode()).hexdigest()[:32]


def plan_house(session: Session, name: str, content: bytes) -> HousePlan:
    """What the export `name` (.zip or .xlsx) would do to this house; nothing is saved.

    BitternError on `file` when it cannot be opened; what is wrong with its rows is in the plan, by table, row and
    column.
    """
    tables, problems = read_export(name, content)
    if problems:
        return _told((), problems)
    numbers: dict[str, set[Any]] = {}
    plans = []
    for moved in TABLES:
        plans.append(_plan(session, moved, tables.get(moved.name, []), numbers, problems))
    return _told(tuple(plans), problems)


def _told(plans: tuple[TablePlan, ...], problems: Sequence[Problem]) -> HousePlan:
    return HousePlan(plans, tuple(problems[:MOST_TOLD]), max(len(problems) - MOST_TOLD, 0))


def _plan(
    session: Session,
    moved: MovedTable,
    rows: Sequence[ReadRow],
    numbers: dict[str, set[Any]],
    problems: list[Problem],
) -> TablePlan:
    """Compare one table with what is on record. `numbers` gathers, by table, which rows can be pointed to."""
    key = moved.key.name
    known = {row[key]: row for row in map(dict, session.execute(sa.select(*moved.columns)).mappings())}
    known.pop(EVENT_CHAIN, None)
    numbers[moved.table.name] = set(known)
    read: list[tuple[int, Values]] = []
    named: set[Any] = set()
    for row in rows:
        values = _values(moved, row, problems)
        if values is None:
            continue
        if values[key] in named:
            problems.append(_problem(moved, row.number, key, f"{values[key]} stands twice in this table."))
            continue
        named.add(values[key])
        read.append((row.number, values))
    numbers[moved.table.name] |= named
    for number, values in read:
        problems += _dangling(moved, number, values, numbers)
    problems += _doubled(moved, read, known)
    problems += _misplaced(moved, read)
    inserts, updates, unchanged = [], [], 0
    for number, values in read:
        here = known.get(values[key])
        if here is None:
            inserts.append(values)
            continue
        different = [one.name for one in moved.columns if one.name in values and here[one.name] != values[one.name]]
        if moved.is_setting and moved.key.name == "name" and different:
            # A number that was given out is never given out again.
            values["value"] = max(values["value"], here["value"])
            different = [] if values["value"] == here["value"] else different
        if not different:
            unchanged += 1
        elif moved.is_setting:
            updates.append(values)
        else:
            column = next(one for one in moved.columns if one.name == different[0])
            problems.append(
                _problem(
                    moved,
                    number,
                    different[0],
                    f"On record here it is {write_cell(column, here[column.name])[:60]!r}. An export goes into an "
                    "empty house, or into one that holds the same rows.",
                )
            )
    unnamed = len(known.keys() - named)
    return TablePlan(moved, tuple(inserts), tuple(updates), unchanged, unnamed)


def _problem(moved: MovedTable, number: int, column: str, message: str) -> Problem:
    titles = {one.name: title for one, title in zip(moved.columns, moved.titles, strict=True)}
    return Problem(f"{moved.name}, row {number}, {titles.get(column, column)}", message)


def _values(moved: MovedTable, row: ReadRow, problems: list[Problem]) -> Values | None:
    """The row's values by column; None, and its problems told, where one cannot be."""
    values: Values = {}
    found: list[Problem] = []
    for column, title in zip(moved.columns, moved.titles, strict=True):
        if title not in row.cells:
            continue  # a column that this release added since: its default holds
        try:
            values[column.name] = read_cell(column, row.cells[title])
        except BitternError as error:
            found.append(_problem(moved, row.number, column.name, error.message))
    if not found and moved.key.name == "id" and values["id"] < 1:
        found.append(_problem(moved, row.number, "id", "Row numbers begin at 1."))
    if not found and moved.check is not None:
        try:
            moved.check(values)
        except BitternError as error:
            found.append(Problem(f"{moved.name}, row {row.number}, {error.field}", error.message))
    problems += found
    return None if found else values


def _dangling(moved: MovedTable, number: int, values: Values, numbers: Mapping[str, set[Any]]) -> list[Problem]:
    found = []
    for name, target in moved.links:
        value = values.get(name)
        if value is not None and value not in numbers.get(target, ()):
            what = next(one.name for one in TABLES if one.table.name == target)
            found.append(_problem(moved, number, name, f"There is no row {value} in {what}."))
    return found


def _misplaced(moved: MovedTable, read: Sequence[tuple[int, Values]]) -> list[Problem]:
    """Keysets under one of another key system, or under themselves: who walks up to the top would not arrive."""
    if moved.table.name != Keyset.__tablename__:
        return []
    by_id = {values["id"]: values for _, values in read}
    found = []
    for number, values in read:
        seen, above = {values["id"]}, by_id.get(values.get("parent_id"))
        if above is not None and above["system_id"] != values["system_id"]:
            found.append(_problem(moved, number, "parent_id", "This keyset stands under one of another key system."))
        while above is not None and above["id"] not in seen:
            seen.add(above["id"])
            above = by_id.get(above.get("parent_id"))
        if above is not None:
            found.append(_problem(moved, number, "parent_id", "This keyset stands under itself."))
    return found


def _doubled(moved: MovedTable, read: Sequence[tuple[int, Values]], known: Mapping[Any, Values]) -> list[Problem]:
    """Rows that the table's unique constraints refuse, among each other and beside what is on record."""
    found = []
    for names in _unique(moved):
        seen = {tuple(row.get(name) for name in names): key for key, row in known.items()}
        for number, values in read:
            value = tuple(values.get(name) for name in names)
            key = values[moved.key.name]
            if None not in value and seen.setdefault(value, key) != key:
                found.append(_problem(moved, number, names[-1], f"{value[-1]} stands there already in another row."))
    return found


def _unique(moved: MovedTable) -> list[tuple[str, ...]]:
    constraints = (one for one in moved.table.constraints if isinstance(one, sa.UniqueConstraint))
    return [tuple(column.name for column in one.columns) for one in constraints]


def import_house(work: Work, name: str, content: bytes, seal: str = "") -> HousePlan:
    """Take an export in, for the owner: all of it, or Problems and nothing.

    `seal`: of the plan that was shown; Stale when the house's records have changed since.
    """
    work.require()
    with transaction(work.session):
        plan = plan_house(work.session, name, content)
        if plan.problems:
            raise Problems(plan.problems)
        if seal and seal != plan.seal:
            raise Stale("The records of this house changed since this was shown. Nothing was taken in; look again.")
        if not plan.rows:
            return plan
        for one in plan.tables:
            _insert(work.session, one)
            _update(work.session, one)
        told = ", ".join(f"{len(one.inserts):,} {one.moved.name}" for one in plan.tables if one.inserts)
        record(work, "house taken in", "house", f"Taken in from {name[-80:]}: {told or 'settings'}")
        return plan


def _insert(session: Session, plan: TablePlan) -> None:
    table = plan.moved.table
    own = [column.name for column in plan.moved.columns if any(k.column.table is table for k in column.foreign_keys)]
    rows = [{**values, **plan.moved.derive(values)} for values in plan.inserts]
    for start in range(0, len(rows), STEP):
        # A row may point to one further on: such links are put when all rows stand.
        session.execute(sa.insert(table), [{**row, **dict.fromkeys(own)} for row in rows[start : start + STEP]])
    key = plan.moved.key
    for name in own:
        linked = [{"row_key": row[key.name], "link": row[name]} for row in rows if row.get(name) is not None]
        if linked:
            change = sa.update(table).where(key == sa.bindparam("row_key")).values({name: sa.bindparam("link")})
            session.connection().execute(change, linked)
    if rows and key.name == "id" and session.get_bind().dialect.name == "postgresql":
        # Rows came with their numbers; the next one given out must be beyond them.
        last = sa.select(sa.func.max(key)).scalar_subquery()
        session.execute(sa.select(sa.func.setval(sa.func.pg_get_serial_sequence(table.name, "id"), last)))


def _update(session: Session, plan: TablePlan) -> None:
    table, key = plan.moved.table, plan.moved.key
    for values in plan.updates:
        change = {name: value for name, value in values.items() if name != key.name}
        if "version" in table.columns:
            change["version"] = table.c.version + 1
        session.execute(sa.update(table).where(key == values[key.name]).values(change))
