"""Take an export into this house: all of it, or nothing."""

from __future__ import annotations

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problems
from app.ledger.moving.merged_rows import Values
from app.ledger.moving.people import People
from app.ledger.moving.planning import HousePlan, TablePlan, plan_house
from app.ledger.people.users import enter_people
from app.ledger.store.engine import transaction
from app.ledger.store.errors import Stale
from app.ledger.store.events import record, record_moved
from app.ledger.store.work import Work

STEP = 5000


def import_house(work: Work, name: str, content: bytes, seal: str = "") -> HousePlan:
    """Take an export in, for the owner: all of it, or Problems and nothing.

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
        for one in plan.tables:
            rows = [people.with_ids(values, one.moved.people) for values in one.inserts]
            if one.moved.is_story:
                record_moved(work.session, rows)
            else:
                _insert(work.session, one, rows)
            _update(work.session, one)
        told = ", ".join(f"{len(one.inserts):,} {one.moved.name}" for one in plan.tables if one.inserts)
        record(work, "house taken in", "house", f"Imported from {name[-80:]}: {told or 'settings'}")
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
