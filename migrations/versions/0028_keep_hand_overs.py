"""keep hand-overs as rows, with what of each line of its job went with one

They are made of the story: of the first release's, where nobody wrote down what went, all of the job did.

Revises: 0027
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterator
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0028"
down_revision = "0027"

_KEYED = ("cylinder", "part number", "rekey")
_STEP = 500
Rows = list[dict[str, Any]]


def upgrade() -> None:
    hand_overs = op.create_table(
        "hand_overs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.Column("event_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_hand_overs_job_id_jobs")),
        sa.ForeignKeyConstraint(["event_id"], ["events.id"], name=op.f("fk_hand_overs_event_id_events")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hand_overs")),
        sa.UniqueConstraint("job_id", "place", name=op.f("uq_hand_overs_job_id_place")),
        sa.UniqueConstraint("event_id", name=op.f("uq_hand_overs_event_id")),
    )
    handed_lines = op.create_table(
        "handed_lines",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("hand_over_id", sa.Integer(), nullable=False),
        sa.Column("line_number", sa.Integer(), nullable=False),
        sa.Column("cylinders", sa.Integer(), nullable=False),
        sa.Column("keys", sa.Integer(), nullable=False),
        sa.Column("goods", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["hand_over_id"], ["hand_overs.id"], name=op.f("fk_handed_lines_hand_over_id_hand_overs")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_handed_lines")),
        sa.UniqueConstraint("hand_over_id", "line_number", name=op.f("uq_handed_lines_hand_over_id_line_number")),
    )
    made, lines = _hand_overs(op.get_bind())
    for table, rows in ((hand_overs, made), (handed_lines, lines)):
        for start in range(0, len(rows), _STEP):
            op.bulk_insert(table, rows[start : start + _STEP])
    if made and op.get_bind().dialect.name == "postgresql":
        op.execute("SELECT setval(pg_get_serial_sequence('hand_overs', 'id'), (SELECT max(id) FROM hand_overs))")


def downgrade() -> None:
    op.drop_table("handed_lines")
    op.drop_table("hand_overs")


def _hand_overs(bind: sa.Connection) -> tuple[Rows, Rows]:
    """A row for each event that tells of one, and its lines."""
    made, lines = Rows(), Rows()
    by_job: dict[int, list[tuple[int, dict[str, Any]]]] = defaultdict(list)
    for event in bind.execute(
        sa.text(
            "SELECT id, job_id, kind, summary, detail FROM events WHERE job_id IS NOT NULL "
            "AND kind IN ('part handed over', 'stage moved') ORDER BY id"
        )
    ):
        is_whole = event.summary.partition(":")[0].endswith("→ handed over")
        if event.kind == "part handed over" or is_whole:
            detail = json.loads(event.detail) if isinstance(event.detail, str) else event.detail
            by_job[event.job_id].append((event.id, detail or {}))
    for job_id, events in by_job.items():
        counter = _LineCounter(bind, job_id)
        for place, (event_id, detail) in enumerate(events, start=1):
            made.append({"id": len(made) + 1, "job_id": job_id, "place": place, "event_id": event_id})
            lines += [{"hand_over_id": len(made), **line} for line in counter.lines(detail)]
    return made, lines


class _LineCounter:
    """A job's pieces by the line that sold them, hand-over by hand-over."""

    def __init__(self, bind: sa.Connection, job_id: int) -> None:
        def rows(text: str) -> Iterator[Any]:
            return iter(bind.execute(sa.text(text), {"job": job_id}))

        asks = rows("SELECT number, kind, quantity, ask FROM job_lines WHERE job_id = :job ORDER BY number")
        self._lines = {
            one.number: (one.kind, one.quantity, json.loads(one.ask) if isinstance(one.ask, str) else one.ask)
            for one in asks
        }
        cylinders = rows("SELECT id, line_number, keyset_id FROM cylinders WHERE job_id = :job ORDER BY id DESC")
        self._cylinders = {one.id: (one.line_number, one.keyset_id) for one in cylinders}
        self._keyed = {keyset: line for line, keyset in self._cylinders.values() if line is not None}
        keys = rows("SELECT id, keyset_id FROM keys WHERE job_id = :job ORDER BY id")
        self._keys = {one.id: one.keyset_id for one in keys}
        self._gone: dict[int, int] = defaultdict(int)  # keys by line

    def lines(self, detail: dict[str, Any]) -> Rows:
        """How many pieces of each line an event tells of."""
        found: dict[int, dict[str, int]] = defaultdict(lambda: {"cylinders": 0, "keys": 0, "goods": 0})
        for one in detail.get("cylinders", self._cylinders):
            line = self._cylinders.get(one, (None, None))[0]
            if line is not None:
                found[line]["cylinders"] += 1
        goods = [(number, quantity) for number, (_, quantity, _) in self._lines.items() if self._is_goods(number)]
        for number, count in detail.get("goods", goods):
            found[number]["goods"] += count
        for one in detail.get("keys", self._keys):
            if one in self._keys and (line := self._line_of(self._keys[one])) is not None:
                found[line]["keys"] += 1
                self._gone[line] += 1
        return [{"line_number": number, **counts} for number, counts in sorted(found.items())]

    def _is_goods(self, number: int) -> bool:
        kind, _, ask = self._lines[number]
        return kind == "hardware" or (kind == "keys" and ask.get("symbol") == "own")

    def _line_of(self, keyset: int) -> int | None:
        keyed = self._keyed.get(keyset)
        if keyed in self._lines and self._gone[keyed] < self._keys_with(keyed):
            return keyed
        selling = [one for one, (kind, _, _) in self._lines.items() if kind == "keys" and not self._is_goods(one)]
        with_room = [one for one in selling if self._gone[one] < self._lines[one][1]]
        here = [one for one, (kind, _, _) in self._lines.items() if kind in _KEYED]
        return next(iter([*with_room, *selling]), keyed or next(iter(here), None))

    def _keys_with(self, number: int) -> int:
        _, quantity, ask = self._lines[number]
        in_all = ask.get("keys_in_all")
        return int(ask.get("keys_each", 0)) * quantity if in_all is None else int(in_all)
