"""Take an export into this house: all of it, or nothing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problems
from app.ledger.moving.merged_rows import Values
from app.ledger.moving.planning import HousePlan, TablePlan, plan_house
from app.ledger.people.user_queries import name_key
from app.ledger.people.users import check_name, enter_people
from app.ledger.store.engine import transaction
from app.ledger.store.errors import Stale
from app.ledger.store.events import record, record_moved
from app.ledger.store.work import Work
from app.ledger.tables import User

STEP = 5000


def import_house(work: Work, name: str, content: bytes, seal: str = "") -> HousePlan:
    """Take an export in, for the owner: all of it, or Problems and nothing.

    `seal`: of the plan that was shown; Stale when the house's records have changed since.
    """
    work.require()
    with transaction(work.session):
        plan = plan_house(work, name, content)
        if plan.problems:
            raise Problems(plan.problems)
        if seal and seal != plan.seal:
            raise Stale("The records of this house changed since this was shown. Nothing was taken in; look again.")
        if not plan.rows:
            return plan
        people = People(work.session)
        people.put(enter_people(work, plan.people))
        for one in plan.tables:
            rows = [people.with_ids(values, one.moved.people) for values in one.inserts]
            if one.moved.is_story:
                record_moved(work.session, rows)
            else:
                _insert(work.session, one, rows)
            _update(work.session, one)
        told = ", ".join(f"{len(one.inserts):,} {one.moved.name}" for one in plan.tables if one.inserts)
        record(work, "house taken in", "house", f"Taken in from {name[-80:]}: {told or 'settings'}")
        return plan


def _insert(session: Session, plan: TablePlan, values: list[Values]) -> None:
    table = plan.moved.table
    own = [column.name for column in plan.moved.columns if any(k.column.table is table for k in column.foreign_keys)]
    rows = [{**one, **plan.moved.derive(one)} for one in values]
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


class People:
    """Everybody on record by id and by name, and the names that were read and that nobody here has."""

    def __init__(self, session: Session) -> None:
        rows = session.execute(sa.select(User.id, User.name, User.name_key)).all()
        self._names = {row.id: row.name for row in rows}
        self._known = {row.name_key: row.name for row in rows}
        self._ids = {row.name: row.id for row in rows}
        self._new: dict[str, str] = {}

    @property
    def new(self) -> tuple[str, ...]:
        """The names that nobody here has, each as it was spelled first."""
        return tuple(self._new.values())

    def name_of(self, user_id: int | None) -> str | None:
        """The name of somebody on record."""
        return None if user_id is None else self._names[user_id]

    def read(self, text: str, field: str) -> str:
        """The name as this house spells it; BitternError where nobody can be called so."""
        check_name(text, field)
        key = name_key(text)
        return self._known.get(key) or self._new.setdefault(key, " ".join(text.split()))

    def put(self, entered: Mapping[str, int]) -> None:
        """From now on these people have ids too."""
        self._ids.update(entered)

    def with_ids(self, values: Mapping[str, Any], columns: tuple[str, ...]) -> dict[str, Any]:
        """A row's values with ids in place of the names in these columns."""
        return {**values, **{name: self._ids[values[name]] for name in columns if values.get(name) is not None}}

    def with_names(self, values: Mapping[str, Any], columns: tuple[str, ...]) -> dict[str, Any]:
        """A row's values with names in place of the ids in these columns."""
        return {**values, **{name: self.name_of(values[name]) for name in columns}}
