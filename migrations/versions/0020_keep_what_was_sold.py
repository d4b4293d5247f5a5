"""keep what was sold as rows, when jobs became ready and cylinders were fitted, as far as the records tell

What was sold is read from the quotes that were accepted; days from the story of each job.

Revises: 0019
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, date
from fractions import Fraction
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0020"
down_revision = "0019"

_INDEXES = (
    ("ix_cylinders_fitted_on", "cylinders", ["fitted_on"]),
    ("ix_cylinders_finish_state", "cylinders", ["finish", "state"]),
    ("ix_cylinders_maker_id_state", "cylinders", ["maker_id", "state"]),
    ("ix_jobs_accepted_on", "jobs", ["accepted_on"]),
)
_STEP = 1000


def upgrade() -> None:
    op.add_column("cylinders", sa.Column("fitted_on", sa.Date(), nullable=True))
    op.add_column("cylinders", sa.Column("removed_on", sa.Date(), nullable=True))
    op.add_column("jobs", sa.Column("ready_on", sa.Date(), nullable=True))
    for name, table, columns in _INDEXES:
        op.create_index(name, table, columns)
    sold = op.create_table(
        "sold_lines",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("label", sa.String(length=12), nullable=False),
        sa.Column("kind", sa.String(length=24), nullable=False),
        sa.Column("part_number", sa.String(length=80), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("maker_id", sa.Integer(), nullable=True),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("amount_cents", sa.Integer(), nullable=False),
        sa.Column("cost_cents", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name="fk_sold_lines_job_id_jobs"),
        sa.ForeignKeyConstraint(["maker_id"], ["makers.id"], name="fk_sold_lines_maker_id_makers"),
        sa.PrimaryKeyConstraint("id", name="pk_sold_lines"),
        sa.UniqueConstraint("job_id", "label", name="uq_sold_lines_job_id_label"),
    )
    op.create_index("ix_sold_lines_maker_id", "sold_lines", ["maker_id"])
    rows: list[dict[str, Any]] = []
    for row in _sold(op.get_bind()):
        rows.append(row)
        if len(rows) == _STEP:
            op.bulk_insert(sold, rows)
            rows = []
    op.bulk_insert(sold, rows)
    _write_days(op.get_bind())


def _sold(connection: sa.Connection) -> Iterator[dict[str, Any]]:
    """The priced lines of each accepted quote, the discount, and what was given back off the price since."""
    makers = dict(connection.execute(sa.text("SELECT code, id FROM makers")).all())
    jobs = connection.execute(
        sa.text("SELECT id, accepted_option, agreed_cents FROM jobs WHERE accepted_on IS NOT NULL ORDER BY id")
    ).all()
    newest = sa.text("SELECT snapshot FROM quote_revisions WHERE job_id = :job ORDER BY revision DESC LIMIT 1")
    for job_id, option, agreed in jobs:
        quote = json.loads(connection.scalar(newest, {"job": job_id}) or "{}")
        if option == "B" and quote.get("option_b"):
            quote |= quote["option_b"]
        if "totals" not in quote:
            continue
        asked, charged = quote.get("ask", {}).get("lines", []), 0
        for line in quote["lines"]:
            number = int("".join(sign for sign in line["label"] if sign.isdigit()) or 0)
            typed = asked[number - 1] if 0 < number <= len(asked) else {}
            code = typed.get("maker_code") or (typed.get("attributes") or {}).get("maker") or ""
            charged += line["amount_cents"]
            yield {
                **{name: line[name] for name in ("label", "kind", "part_number", "words", "quantity")},
                "job_id": job_id,
                "maker_id": makers.get(code),
                "amount_cents": line["amount_cents"],
                "cost_cents": line["cost_cents"],
            }
        totals = quote["totals"]
        if off := charged - totals["subtotal_cents"]:
            yield _line(job_id, "discount", "Discount", -off)
        back = 0 if agreed is None else totals["total_cents"] - agreed
        if back and totals["total_cents"]:
            back = (Fraction(back * totals["subtotal_cents"], totals["total_cents"]) + Fraction(1, 2)).__floor__()
        if back:
            yield _line(job_id, "off price", "Given back off the price", -back)


def _line(job_id: int, kind: str, words: str, cents: int) -> dict[str, Any]:
    return {
        "job_id": job_id,
        "label": kind,
        "kind": kind,
        "part_number": "",
        "words": words,
        "maker_id": None,
        "quantity": 1,
        "amount_cents": cents,
        "cost_cents": 0,
    }


def _write_days(connection: sa.Connection) -> None:
    events = sa.table(
        "events",
        sa.column("id", sa.Integer()),
        sa.column("at", sa.DateTime(timezone=True)),
        sa.column("kind", sa.String()),
        sa.column("job_id", sa.Integer()),
        sa.column("summary", sa.String()),
        sa.column("detail", sa.JSON()),
    )
    moves = sa.select(events.c.job_id, events.c.at, events.c.summary, events.c.detail).where(
        events.c.kind.in_(("stage moved", "part handed over")), events.c.job_id.is_not(None)
    )
    ready: dict[int, date | None] = {}
    fitted: dict[int, date] = {}
    whole: dict[int, date] = {}
    for job_id, at, summary, detail in connection.execute(moves.order_by(events.c.id)):
        day = (at if at.tzinfo else at.replace(tzinfo=UTC)).astimezone().date()
        to = summary.partition(":")[0].rpartition("→")[2].strip()
        if to in ("ready", "on the bench"):
            ready[job_id] = day if to == "ready" else None
        if "cylinders" in (detail or {}):
            fitted |= dict.fromkeys(detail["cylinders"], day)
        elif to == "handed over":  # of early releases, which did not write down what went
            whole[job_id] = day
    _update(connection, "UPDATE jobs SET ready_on = :day WHERE id = :id", ready)
    _update(connection, "UPDATE cylinders SET fitted_on = :day WHERE id = :id", fitted)
    never = "job_id = :id AND fitted_on IS NULL AND state IN ('fitted', 'removed')"
    _update(connection, f"UPDATE cylinders SET fitted_on = :day WHERE {never}", whole)


def _update(connection: sa.Connection, statement: str, days: dict[int, Any]) -> None:
    asked = sa.text(statement).bindparams(sa.bindparam("day", type_=sa.Date()))
    rows = [{"id": one, "day": day} for one, day in days.items() if day is not None]
    for start in range(0, len(rows), _STEP):
        connection.execute(asked, rows[start : start + _STEP])


def downgrade() -> None:
    op.drop_table("sold_lines")
    for name, table, _ in _INDEXES:
        op.drop_index(name, table)
    op.drop_column("jobs", "ready_on")
    op.drop_column("cylinders", "removed_on")
    op.drop_column("cylinders", "fitted_on")
