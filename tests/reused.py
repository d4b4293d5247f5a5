"""Copies of a house's database on PostgreSQL that go from test to test, each as if it were made anew.

To make a database takes longer than most tests that have one.
"""

import atexit
from typing import Any, LiteralString

import psycopg
from psycopg import sql

_TABLES = "SELECT relname FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace ORDER BY 1"
_NUMBERS = "SELECT quote_ident(sequencename), last_value FROM pg_sequences ORDER BY 1"
_END_OTHERS = """
    SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity
    WHERE datname = current_database() AND pid <> pg_backend_pid()
"""
_SCHEMA = """
    SELECT md5(string_agg(part, ' ' ORDER BY part)) FROM (
        SELECT concat_ws(' ', relname, relkind, attname, atttypid, attnotnull, attisdropped) AS part
        FROM pg_class JOIN pg_attribute ON attrelid = pg_class.oid WHERE relnamespace = 'public'::regnamespace
        UNION ALL SELECT concat_ws(' ', tgrelid, tgname, tgenabled, tgfoid) FROM pg_trigger
        UNION ALL SELECT concat_ws(' ', conrelid, conname, contype) FROM pg_constraint
        UNION ALL SELECT concat_ws(' ', proname, md5(prosrc)) FROM pg_proc WHERE pronamespace = 'public'::regnamespace
    ) AS parts
"""


class ReusedCopy:
    """The database `name`, copied just now from `template`, whose rows and next numbers it keeps in mind."""

    def __init__(self, name: str, template: str) -> None:
        self.template, self.is_idle = template, False
        self._connection = psycopg.connect(dbname=name, autocommit=True, options="-c lock_timeout=10s")
        atexit.register(self._connection.close)
        self._schema = self._all(_SCHEMA)
        self._tables: list[str] = [table for (table,) in self._all(_TABLES)]
        self._states = self._look(self._tables)
        self._numbers: dict[str, int | None] = dict(self._all(_NUMBERS))
        self._rows = {table: self._read(table) for table in self._tables}

    def put_back(self) -> bool:
        """End whatever uses it and undo what was written; False where more than rows changed: then it has to go."""
        self._connection.execute(_END_OTHERS)
        if self._all(_SCHEMA) != self._schema:
            self._connection.close()
            return False
        states = self._look(self._tables)
        written = [table for table in self._tables if states[table] != self._states[table]]
        with self._connection.transaction():
            self._connection.execute("SET LOCAL session_replication_role = replica")  # no trigger, no foreign key
            for table in written:
                self._connection.execute(sql.SQL("DELETE FROM {}").format(sql.Identifier(table)))
                with self._connection.cursor().copy(_copy(table, "FROM STDIN")) as rows:
                    rows.write(self._rows[table])
        for sequence, number in self._all(_NUMBERS):
            before = self._numbers[sequence]
            if number != before:
                self._connection.execute("SELECT setval(%s, %s, %s)", (sequence, before or 1, before is not None))
        if written:
            self._states |= self._look(written)
        self.is_idle = True
        return True

    def _look(self, tables: list[str]) -> dict[str, tuple[int, int | None]]:
        """What changes when a table is written to: how many rows it has, and which transaction wrote the newest."""
        each = sql.SQL("SELECT {}, count(*), max(xmin::text::bigint) FROM {}")
        asked = [each.format(sql.Literal(table), sql.Identifier(table)) for table in tables]
        found = self._connection.execute(sql.SQL(" UNION ALL ").join(asked)).fetchall()
        return {table: (count, newest) for table, count, newest in found}

    def _read(self, table: str) -> bytes:
        with self._connection.cursor().copy(_copy(table, "TO STDOUT")) as rows:
            return b"".join(bytes(part) for part in rows)

    def _all(self, statement: LiteralString) -> list[tuple[Any, ...]]:
        return self._connection.execute(statement).fetchall()


def _copy(table: str, way: LiteralString) -> sql.Composed:
    return sql.SQL("COPY {} ").format(sql.Identifier(table)) + sql.SQL(way)
