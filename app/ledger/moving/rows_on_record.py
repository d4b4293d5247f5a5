"""The rows of this house as an export has them: people by their names, events without what stays in the house."""

from collections.abc import Iterator, Mapping
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.moving.exported_events import EXPORTED, OF_NO_JOB, exported_detail
from app.ledger.moving.tables import EVENT_CHAIN, MovedTable
from app.ledger.people.users import check_name, name_key
from app.ledger.tables import Event, User

Values = dict[str, Any]


class People:
    """Everybody on record by id and by name, and the names that were read and that nobody here has."""

    def __init__(self, session: Session) -> None:
        rows = session.execute(sa.select(User.id, User.name, User.name_key)).all()
        self._names: dict[int | None, str | None] = {None: None, **{row.id: row.name for row in rows}}
        self._known = {row.name_key: row.name for row in rows}
        self._ids = {row.name: row.id for row in rows}
        self._new: dict[str, str] = {}

    @property
    def new(self) -> tuple[str, ...]:
        """The names that nobody here has, each as it was spelled first."""
        return tuple(self._new.values())

    def read(self, text: str, field: str) -> str:
        """The name as this house spells it; BitternError where nobody can be called so."""
        check_name(text, field)
        key = name_key(text)
        return self._known.get(key) or self._new.setdefault(key, " ".join(text.split()))

    def put(self, entered: Mapping[str, int]) -> None:
        """From now on these people have ids too."""
        self._ids.update(entered)

    def with_ids(self, values: Mapping[str, Any], columns: tuple[str, ...]) -> Values:
        """A row's values with ids in place of the names in these columns."""
        return {**values, **{name: self._ids[values[name]] for name in columns if values.get(name) is not None}}

    def with_names(self, values: Mapping[str, Any], columns: tuple[str, ...]) -> Values:
        """A row's values with names in place of the ids in these columns."""
        return {**values, **{name: self._names[values[name]] for name in columns}}


def rows_on_record(session: Session, moved: MovedTable, people: People) -> Iterator[Values]:
    """The rows of one table by their key; of the story the events that are moved, oldest first.

    Events are numbered from 1: an event's own number belongs to its house.
    """
    rows = sa.select(*moved.columns).order_by(moved.key)
    if moved.is_story:
        of_a_job = sa.and_(Event.job_id.is_not(None), Event.kind.in_(EXPORTED))
        rows = rows.where(sa.or_(of_a_job, Event.kind.in_(OF_NO_JOB)))
    if moved.key.name == "name":
        rows = rows.where(moved.key != EVENT_CHAIN)
    for number, row in enumerate(session.execute(rows.execution_options(yield_per=2000)).mappings(), start=1):
        values = people.with_names(dict(row), moved.people)
        if moved.is_story:
            values.update(id=number, detail=exported_detail(row["kind"], row["detail"]))
        yield values
