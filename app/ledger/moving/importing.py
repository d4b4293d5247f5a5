"""Import an export: what it would do in this house, table by table, and what stands in its way; then all of it."""

import hashlib
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError, Problem, Problems
from app.ledger.catalog.own_items import has_own_items_alone, put_missing_own_items
from app.ledger.goods.hand_overs import put_missing_hand_overs
from app.ledger.keysystems.lost_keysets import put_missing_losses
from app.ledger.moving.cells import read_cell, write_cell
from app.ledger.moving.export_file import ReadRow, read_export
from app.ledger.moving.integrity import MergedRows, NumberedRows, integrity_problems
from app.ledger.moving.rows_on_record import People, Values, rows_on_record
from app.ledger.moving.tables import TABLES, MovedTable
from app.ledger.people.users import enter_people
from app.ledger.quoting.sold_lines import put_missing_sold_lines
from app.ledger.stock.movements import mark_counted
from app.ledger.store.engine import transaction, write_many
from app.ledger.store.errors import Stale
from app.ledger.store.events import record, record_moved
from app.ledger.store.work import Work
from app.ledger.tables import Item

MOST_PROBLEMS = 500
STEP = 5000
_AHEAD = timedelta(minutes=10)  # as much as two clocks may differ


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
    """What an export would do here; with a problem, nothing of it can be imported.

    problems: the first 500, then one that says how many more there are.
    people: names that nobody in this house has; they would be entered without a login. makes_way: the items that the
    house has had from the start do, for those of the file.
    """

    tables: tuple[TablePlan, ...]
    problems: tuple[Problem, ...]
    people: tuple[str, ...] = ()
    makes_way: bool = False

    @property
    def rows(self) -> int:
        """How many rows would be added or brought to what the file says."""
        return sum(len(one.inserts) + len(one.updates) for one in self.tables)

    @property
    def seal(self) -> str:
        """Tells this plan from another, so that what was shown is what is imported."""
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
        return HousePlan((), _first(problems))
    planner = _ImportPlanner(work, problems)
    plans = tuple(planner.plan(moved, tables.get(moved.name, [])) for moved in TABLES)
    # What rows are to each other is asked once each of them may stand: else one slip would be told many times.
    if not problems:
        problems += integrity_problems(planner.merged)
    return HousePlan(plans, _first(problems), planner.people.new, planner.makes_way)


def _first(problems: Sequence[Problem]) -> tuple[Problem, ...]:
    more = len(problems) - MOST_PROBLEMS
    if more <= 0:
        return tuple(problems)
    further = f"There are {more:,} more problems. Mend these first, then look at the file again."
    return (*problems[:MOST_PROBLEMS], Problem("file", further))


class _ImportPlanner:
    """Looks at one table after the other, beside those before; adds what it has to refuse to `problems`."""

    def __init__(self, work: Work, problems: list[Problem]) -> None:
        self.people = People(work.session)
        self.merged = MergedRows()
        # The items that every house has from the start, under numbers of its own, make way for those of the file.
        self.makes_way = False
        self._work, self._problems = work, problems

    def plan(self, moved: MovedTable, rows: Sequence[ReadRow]) -> TablePlan:
        """What this table of the file would do."""
        read = self._read(moved, rows)
        here = list(rows_on_record(self._work.session, moved, self.people))
        if moved.model is Item and read and has_own_items_alone(self._work.session):
            in_file = {values["id"]: values for _, values in read}
            if any({**values, **in_file.get(values["id"], {"id": 0})} != values for values in here):
                self.makes_way, here = True, []
        return self._plan_story(moved, read, here) if moved.is_story else self._plan_rows(moved, read, here)

    def _read(self, moved: MovedTable, rows: Sequence[ReadRow]) -> NumberedRows:
        """The rows that can be read, each with its number in the file; no two with one key."""
        read, keys = [], set()
        for row in rows:
            values = self._values(moved, row)
            if values is None:
                continue
            key = values[moved.key.name]
            if key in keys:
                self._refuse(moved, row.number, moved.key.name, f"{key} stands twice in this table.")
                continue
            keys.add(key)
            read.append((row.number, values))
        return read

    def _values(self, moved: MovedTable, row: ReadRow) -> Values | None:
        """The row's values by column, people by name; None, and its problems added, where one cannot be."""
        values: Values = {}
        found: list[Problem] = []
        for column, title in zip(moved.columns, moved.titles, strict=True):
            if title not in row.cells:
                continue  # a column that this release added since: its default holds
            text = row.cells[title]
            try:
                is_person = column.name in moved.people and (text or not column.nullable)
                values[column.name] = self.people.read(text, column.name) if is_person else read_cell(column, text)
            except BitternError as error:
                found.append(moved.problem(row.number, column.name, error.message))
        if not found and moved.key.name == "id" and values["id"] < 1:
            found.append(moved.problem(row.number, "id", "Row numbers begin at 1."))
        if not found:
            values |= moved.former_values(values)
            found = moved.row_problems(row.number, values)
        self._problems += found
        return None if found else values

    def _plan_rows(self, moved: MovedTable, read: NumberedRows, here: Sequence[Values]) -> TablePlan:
        """Compare one table with what is on record."""
        key = moved.key.name
        known = {values[key]: values for values in here}
        in_file = {values[key] for _, values in read}
        self._refuse_dangling(moved, read, {*known, *in_file})
        self._refuse_doubles(moved, read, known)
        inserts, updates, unchanged = [], [], 0
        for number, values in read:
            old = known.get(values[key])
            if old is None:
                inserts.append((number, values))
                continue
            if moved.is_setting and key == "name":
                # A number that was given out is never given out again.
                values["value"] = max(values["value"], old["value"])
            different = [one for one in moved.columns if one.name in values and old[one.name] != values[one.name]]
            if not different:
                unchanged += 1
            elif moved.is_setting:
                updates.append((number, values))
            else:
                column = different[0]
                value = old[column.name]
                text = value if column.name in moved.people else write_cell(column, value)
                self._refuse(
                    moved,
                    number,
                    column.name,
                    f"On record here it is {text[:60]!r}. An export goes into an empty house, or into one that holds "
                    "the same rows.",
                )
        self.merged.add(moved, known, read, [*inserts, *updates])
        return TablePlan(moved, _values_of(inserts), _values_of(updates), unchanged, len(known.keys() - in_file))

    def _plan_story(self, moved: MovedTable, read: NumberedRows, here: Sequence[Values]) -> TablePlan:
        """The story of one job, or of one key system's keys, may go on from what is here; it never says otherwise."""
        on_record: dict[Any, list[Values]] = defaultdict(list)
        for values in here:
            on_record[_about(values)].append(values)
        self._refuse_dangling(moved, read, set())
        further = []
        seen: dict[Any, int] = defaultdict(int)
        unchanged = 0
        for number, values in sorted(read, key=lambda one: int(one[1]["id"])):
            about = _about(values)
            place = seen[about]
            seen[about] += 1
            if values["at"] > self._work.now + _AHEAD:
                self._refuse(moved, number, "at", "This moment has not come yet by the clock of this machine.")
            elif place >= len(on_record[about]):
                further.append((number, values))
            elif different := _differs(values, on_record[about][place]):
                text = str(on_record[about][place][different])[:60]
                self._refuse(
                    moved,
                    number,
                    different,
                    f"On record here this place of the story says {text!r}. A story is never changed; leave it out, "
                    "or write it as it was exported.",
                )
            else:
                unchanged += 1
        unnamed = sum(max(len(events) - seen[about], 0) for about, events in on_record.items())
        self.merged.add(moved, {}, read, further)
        return TablePlan(moved, _values_of(further), (), unchanged, unnamed)

    def _refuse_dangling(self, moved: MovedTable, read: NumberedRows, own: set[Any]) -> None:
        """Rows that point to one which neither the house nor the file has; `own`: the keys of this very table."""
        names = {one.table.name: one.name for one in TABLES}
        for number, values in read:
            for name, target in moved.links:
                value = values.get(name)
                if value is None or self.merged.has(target, value) or (target == moved.table.name and value in own):
                    continue
                self._refuse(moved, number, name, f"There is no row {value} in {names[target]}.")

    def _refuse_doubles(self, moved: MovedTable, read: NumberedRows, known: Mapping[Any, Values]) -> None:
        """Rows that the table's unique constraints refuse, among each other and beside what is on record."""
        for constraint in moved.table.constraints:
            if not isinstance(constraint, sa.UniqueConstraint):
                continue
            names = [column.name for column in constraint.columns]
            seen = {tuple(row.get(name) for name in names): key for key, row in known.items()}
            for number, values in read:
                value = tuple(values.get(name, moved.defaults.get(name)) for name in names)
                key = values[moved.key.name]
                if None not in value and seen.setdefault(value, key) != key:
                    refusal = f"{value[-1]} stands there already in another row; each row has its own."
                    self._refuse(moved, number, names[-1], refusal)

    def _refuse(self, moved: MovedTable, number: int, column: str, message: str) -> None:
        self._problems.append(moved.problem(number, column, message))


def _values_of(rows: NumberedRows) -> tuple[Values, ...]:
    return tuple(values for _, values in rows)


def _about(values: Values) -> Any:
    return values.get("job_id") or values["subject"]


def _differs(values: Values, here: Values) -> str | None:
    return next((name for name, value in values.items() if name != "id" and value != here[name]), None)


def import_house(work: Work, name: str, content: bytes, seal: str = "") -> HousePlan:
    """Import an export, for the owner: all of it, or Problems and nothing.

    `seal`: of the plan that was shown; Stale when the house's records have changed since.
    """
    work.require_owner()
    with transaction(work.session):
        plan = plan_house(work, name, content)
        if plan.problems:
            raise Problems(plan.problems)
        if seal and seal != plan.seal:
            raise Stale("The records of this house changed since this was shown. Nothing was imported; look again.")
        if not plan.rows:
            return plan
        people = People(work.session)
        people.put(enter_people(work, plan.people))
        if plan.makes_way:
            work.session.execute(sa.delete(Item))
        for one in plan.tables:
            rows = [people.with_ids(values, one.moved.people) for values in one.inserts]
            if one.moved.is_story:
                record_moved(work.session, rows)
            else:
                _insert(work.session, one.moved, rows)
            _update(work.session, one)
        put_missing_own_items(work.session)
        mark_counted(work.session)
        put_missing_sold_lines(work.session)
        put_missing_hand_overs(work.session)
        put_missing_losses(work.session)
        added = ", ".join(f"{len(one.inserts):,} {one.moved.name}" for one in plan.tables if one.inserts)
        record(work, "house taken in", "house", f"Imported from {name[-80:]}: {added or 'settings'}")
        return plan


def _insert(session: Session, moved: MovedTable, values: list[Values]) -> None:
    table, key = moved.table, moved.key
    own = [name for name, target in moved.links if target == table.name]
    made = [{**one, **moved.derive(one)} for one in values]
    # Of an earlier release's items some came with other columns than the rest.
    names = {name: moved.defaults.get(name) for one in made for name in one}
    rows = [{**names, **one} for one in made]
    for start in range(0, len(rows), STEP):
        # A row may point to one further on: such links are put when all rows stand.
        session.execute(sa.insert(table), [{**row, **dict.fromkeys(own)} for row in rows[start : start + STEP]])
    for name in own:
        linked = [{"row_key": row[key.name], "link": row[name]} for row in rows if row.get(name) is not None]
        if linked:
            change = sa.update(table).where(key == sa.bindparam("row_key")).values({name: sa.bindparam("link")})
            write_many(session, change, linked)
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
