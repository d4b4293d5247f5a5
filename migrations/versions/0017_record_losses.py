"""record losses: of keys on record as lost so far too, closed where their keyset's bitting was replaced since

Revises: 0016
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"

_MOMENT = sa.DateTime(timezone=True)


def upgrade() -> None:
    losses = op.create_table(
        "losses",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("system_id", sa.Integer(), nullable=False),
        sa.Column("keyset_id", sa.Integer(), nullable=False),
        sa.Column("reported_at", _MOMENT, nullable=False),
        sa.Column("since", sa.Date(), nullable=True),
        sa.Column("copies", sa.JSON(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("sealed_lost", sa.LargeBinary(), nullable=True),
        sa.Column("successors", sa.JSON(), nullable=False),
        sa.Column("sealed_plan", sa.LargeBinary(), nullable=True),
        sa.Column("plan_chosen_at", _MOMENT, nullable=True),
        sa.Column("closed_at", _MOMENT, nullable=True),
        sa.Column("closed_by_id", sa.Integer(), nullable=True),
        sa.Column("closing_note", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["system_id"], ["key_systems.id"], name=op.f("fk_losses_system_id_key_systems")),
        sa.ForeignKeyConstraint(["keyset_id"], ["keysets.id"], name=op.f("fk_losses_keyset_id_keysets")),
        sa.ForeignKeyConstraint(["closed_by_id"], ["users.id"], name=op.f("fk_losses_closed_by_id_users")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_losses")),
    )
    op.create_index(op.f("ix_losses_system_id"), "losses", ["system_id"])
    op.create_index(op.f("ix_losses_keyset_id"), "losses", ["keyset_id"])
    still_open = sa.text("closed_at IS NULL")
    op.create_index(
        "uq_losses_open_keyset_id",
        "losses",
        ["keyset_id"],
        unique=True,
        sqlite_where=still_open,
        postgresql_where=still_open,
    )
    with op.batch_alter_table("jobs") as jobs:
        jobs.add_column(sa.Column("loss_id", sa.Integer(), nullable=True))
        jobs.create_foreign_key(op.f("fk_jobs_loss_id_losses"), "losses", ["loss_id"], ["id"])
        jobs.create_index(op.f("ix_jobs_loss_id"), ["loss_id"])
    op.bulk_insert(losses, _losses(op.get_bind()))


def _losses(connection: sa.Connection) -> list[dict[str, Any]]:
    keys = sa.table(
        "keys",
        sa.column("keyset_id", sa.Integer()),
        sa.column("copy_number", sa.Integer()),
        sa.column("state", sa.String()),
        sa.column("changed_at", _MOMENT),
    )
    keysets = sa.table(
        "keysets",
        sa.column("id", sa.Integer()),
        sa.column("system_id", sa.Integer()),
        sa.column("symbol", sa.String()),
    )
    rows = connection.execute(
        sa.select(keys.c.keyset_id, keysets.c.system_id, keysets.c.symbol, keys.c.copy_number, keys.c.changed_at)
        .join(keysets, keysets.c.id == keys.c.keyset_id)
        .where(keys.c.state == "lost")
        .order_by(keys.c.keyset_id, keys.c.copy_number)
    ).all()
    replaced = _replaced(connection) if rows else {}
    found: dict[tuple[int, bool], dict[str, Any]] = {}
    for keyset_id, system_id, symbol, copy, lost_at in rows:
        last = replaced.get((f"key system {system_id}", symbol))
        is_over = last is not None and last >= lost_at
        one = found.setdefault(
            (keyset_id, is_over),
            {
                "system_id": system_id,
                "keyset_id": keyset_id,
                "reported_at": lost_at,
                "copies": [],
                "note": "",
                "successors": {symbol: symbol} if is_over else {},
                "closed_at": last if is_over else None,
                "closing_note": f"The bitting of {symbol} was replaced." if is_over else "",
                "version": 1,
            },
        )
        one["copies"].append(copy)
        one["reported_at"] = min(one["reported_at"], lost_at)
    return list(found.values())


def _replaced(connection: sa.Connection) -> dict[tuple[str, str], Any]:
    """(subject, symbol) → when its bitting was last replaced in metal; early events say that in words alone."""
    events = sa.table(
        "events",
        sa.column("id", sa.Integer()),
        sa.column("at", _MOMENT),
        sa.column("kind", sa.String()),
        sa.column("subject", sa.String()),
        sa.column("summary", sa.String()),
        sa.column("detail", sa.JSON()),
    )
    rows = connection.execute(
        sa.select(events.c.subject, events.c.summary, events.c.detail, events.c.at)
        .where(events.c.kind == "bitting corrected")
        .order_by(events.c.id)
    )
    in_metal = "; what was made by the old record is said to be destroyed"
    return {
        (subject, summary.partition(" of ")[0]): at
        for subject, summary, detail, at in rows
        if (detail or {}).get("replaced", in_metal in summary)
    }


def downgrade() -> None:
    with op.batch_alter_table("jobs") as jobs:
        jobs.drop_index(op.f("ix_jobs_loss_id"))
        jobs.drop_constraint(op.f("fk_jobs_loss_id_losses"), type_="foreignkey")
        jobs.drop_column("loss_id")
    op.drop_table("losses")
