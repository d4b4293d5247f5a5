"""What would stand in this house after an import: the rows on record and those of the file, by table and key."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from app.errors import Problem
from app.ledger.moving.tables import MovedTable

Values = dict[str, Any]


class MergedRows:
    """Rows by table, gathered as one table after the other is looked at."""

    def __init__(self) -> None:
        self._moved: dict[str, MovedTable] = {}
        self._rows: dict[str, dict[Any, Values]] = defaultdict(dict)
        self._added: dict[str, Sequence[tuple[int, Values]]] = defaultdict(tuple)
        self._numbers: dict[str, Mapping[Any, int]] = defaultdict(dict)

    def add(
        self,
        moved: MovedTable,
        known: Mapping[Any, Values],
        read: Iterable[tuple[int, Values]],
        added: Sequence[tuple[int, Values]],
    ) -> None:
        """One table: what is on record, what the file says, and what of that would be added or changed."""
        name, key = moved.table.name, moved.key.name
        self._moved[name] = moved
        self._rows[name] = {**known, **{values[key]: values for _, values in added}}
        self._added[name] = added
        self._numbers[name] = {values[key]: number for number, values in read}

    def has(self, table: str, key: Any) -> bool:
        """Whether a row with this key would stand there."""
        return key in self._rows[table]

    def row(self, table: str, key: Any) -> Values:
        """The row with this key."""
        return self._rows[table][key]

    def rows(self, table: str) -> Iterable[Values]:
        """Every row that would stand there."""
        return self._rows[table].values()

    def added(self, table: str) -> Sequence[tuple[int, Values]]:
        """The rows that the file adds or changes, each with its number in the file."""
        return self._added[table]

    def by_job(self, table: str) -> Mapping[int, list[Values]]:
        """A table's rows by the job that they belong to, each job's by their own numbers."""
        gathered: dict[int, list[Values]] = defaultdict(list)
        for key in sorted(self._rows[table]):
            values = self._rows[table][key]
            if values.get("job_id") is not None:
                gathered[values["job_id"]].append(values)
        return gathered

    def problem(self, table: str, key: Any, column: str, message: str) -> Problem:
        """A problem at a row of the file; at the whole table where the file does not hold that row."""
        moved, number = self._moved[table], self._numbers[table].get(key)
        if number is None:
            return Problem(moved.name, message)
        return moved.problem(number, column, message)
