"""delete personal data: what was deleted, the sealed originals, and the one way past the guards of 0002

Revises: 0021
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0022"
down_revision = "0021"

# What a deletion may not touch in the guarded tables; all other columns are words.
FIXED = {
    "events": ("id", "at", "actor_id", "kind", "job_id", "previous_hash", "hash"),
    "quote_revisions": (
        "id",
        "job_id",
        "revision",
        "issued_at",
        "issued_by_id",
        "valid_until",
        "subtotal_cents",
        "total_cents",
        "cost_cents",
        "request_token",
    ),
}


def upgrade() -> None:
    op.create_table(
        "deletions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by_id", sa.Integer(), nullable=True),
        sa.Column("is_running", sa.Boolean(), nullable=False),
        sa.Column("counts", sa.JSON(), nullable=False),
        sa.Column("left", sa.JSON(), nullable=False),
        sa.Column("scrubbed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("key_destroyed_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["by_id"], ["users.id"], name="fk_deletions_by_id_users"),
        sa.PrimaryKeyConstraint("id", name="pk_deletions"),
        sa.UniqueConstraint("number", name="uq_deletions_number"),
    )
    op.create_table(
        "replaced_texts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("deletion_id", sa.Integer(), nullable=False),
        sa.Column("table_name", sa.String(24), nullable=False),
        sa.Column("row_id", sa.Integer(), nullable=False),
        sa.Column("replaced_hash", sa.LargeBinary(32), nullable=False),
        sa.Column("sealed", sa.LargeBinary(), nullable=True),
        sa.ForeignKeyConstraint(["deletion_id"], ["deletions.id"], name="fk_replaced_texts_deletion_id_deletions"),
        sa.PrimaryKeyConstraint("id", name="pk_replaced_texts"),
        sa.UniqueConstraint(
            "deletion_id", "table_name", "row_id", name="uq_replaced_texts_deletion_id_table_name_row_id"
        ),
    )
    with op.batch_alter_table("replaced_texts") as replaced:
        replaced.create_index("ix_replaced_texts_table_name", ["table_name"])
        replaced.create_index("ix_replaced_texts_row_id", ["row_id"])
    with op.batch_alter_table("house") as house:
        house.add_column(sa.Column("keep_years", sa.Integer(), nullable=False, server_default="0"))
    if op.get_bind().dialect.name == "sqlite":
        for table, fixed in FIXED.items():
            same = " AND ".join(f"NEW.{name} IS OLD.{name}" for name in fixed)
            _guard(table, f"WHEN NOT ({same} AND {_let_through(table)})")
        return
    branches = " ".join(
        f"IF TG_TABLE_NAME = '{table}' THEN IF ({_row('NEW', fixed)}) IS NOT DISTINCT FROM ({_row('OLD', fixed)}) "
        f"AND {_let_through(table)} THEN RETURN NEW; END IF; END IF;"
        for table, fixed in FIXED.items()
    )
    _function(f"IF TG_OP = 'UPDATE' THEN {branches} END IF;")


def _let_through(table: str) -> str:
    """Whether a deletion that runs in this transaction has kept the sealed original of the row."""
    return (
        "EXISTS (SELECT 1 FROM replaced_texts r JOIN deletions d ON d.id = r.deletion_id "
        f"WHERE d.is_running AND r.table_name = '{table}' AND r.row_id = OLD.id)"
    )


def _row(which: str, names: tuple[str, ...]) -> str:
    return ", ".join(f"{which}.{name}" for name in names)


def _guard(table: str, when: str) -> None:
    # Where somebody took it off, the chain tells afterwards what was changed meanwhile.
    op.execute(f"DROP TRIGGER IF EXISTS {table}_no_update")
    op.execute(
        f"CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} {when} "
        f"BEGIN SELECT RAISE(ABORT, '{table} are never changed'); END"
    )


def _function(let_through: str) -> None:
    op.execute(
        "CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN {let_through} RAISE EXCEPTION '% are never changed', TG_TABLE_NAME; END $$"
    )


def downgrade() -> None:
    if op.get_bind().dialect.name == "sqlite":
        for table in FIXED:
            _guard(table, "")
    else:
        _function("")
    with op.batch_alter_table("house") as house:
        house.drop_column("keep_years")
    op.drop_table("replaced_texts")
    op.drop_table("deletions")
