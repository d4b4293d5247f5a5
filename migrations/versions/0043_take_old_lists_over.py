"""keep the names that an old list has for its keys, and the rows of it that were not taken

Revises: 0042
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0043"
down_revision = "0042"


def upgrade() -> None:
    op.add_column("keysets", sa.Column("own_symbol", sa.String(60), nullable=False, server_default=""))
    op.create_index(op.f("ix_keysets_own_symbol"), "keysets", ["own_symbol"])
    op.create_table(
        "list_rows_aside",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("system_id", sa.Integer(), nullable=False),
        sa.Column("row", sa.Integer(), nullable=False),
        sa.Column("own_symbol", sa.String(60), nullable=False),
        sa.Column("symbol", sa.String(24), nullable=False),
        sa.Column("level", sa.String(40), nullable=False),
        sa.Column("parent_symbol", sa.String(24), nullable=False),
        sa.Column("reason", sa.String(300), nullable=False),
        sa.Column("could_matter", sa.Boolean(), nullable=False),
        sa.Column("sealed", sa.LargeBinary(), nullable=True),
        sa.Column("settled", sa.String(300), nullable=False),
        sa.Column("settled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("settled_by_id", sa.Integer(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["settled_by_id"], ["users.id"], name=op.f("fk_list_rows_aside_settled_by_id_users")),
        sa.ForeignKeyConstraint(
            ["system_id"], ["key_systems.id"], name=op.f("fk_list_rows_aside_system_id_key_systems")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_list_rows_aside")),
    )
    op.create_index(op.f("ix_list_rows_aside_system_id"), "list_rows_aside", ["system_id"])


def downgrade() -> None:
    op.drop_table("list_rows_aside")
    op.drop_index(op.f("ix_keysets_own_symbol"), "keysets")
    op.drop_column("keysets", "own_symbol")
