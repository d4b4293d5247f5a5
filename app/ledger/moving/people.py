"""The people whom an export names: this house's own by name, and those that it does not know."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.people.users import check_name, name_key
from app.ledger.tables import User


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
