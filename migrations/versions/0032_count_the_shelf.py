"""count the shelf: counts of items at a place, and what each found

Revises: 0031
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0032"
down_revision = "0031"


def upgrade() -> None:
    op.create_table(
        "stock_counts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("place_id", sa.Integer(), nullable=False),
        sa.Column("words", sa.String(length=200), nullable=False),
        sa.Column("mark_id", sa.Integer(), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("started_by_id", sa.Integer(), nullable=True),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ended_by_id", sa.Integer(), nullable=True),
        sa.Column("is_saved", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["place_id"], ["stock_places.id"], name=op.f("fk_stock_counts_place_id_stock_places")
        ),
        sa.ForeignKeyConstraint(["started_by_id"], ["users.id"], name=op.f("fk_stock_counts_started_by_id_users")),
        sa.ForeignKeyConstraint(["ended_by_id"], ["users.id"], name=op.f("fk_stock_counts_ended_by_id_users")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stock_counts")),
    )
    op.create_table(
        "stock_count_lines",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("count_id", sa.Integer(), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=False),
        sa.Column("found", sa.Integer(), nullable=True),
        sa.Column("mark_id", sa.Integer(), nullable=False),
        sa.Column("found_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("found_by_id", sa.Integer(), nullable=True),
        sa.Column("difference", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["count_id"], ["stock_counts.id"], name=op.f("fk_stock_count_lines_count_id_stock_counts")
        ),
        sa.ForeignKeyConstraint(
            ["item_id"], ["stock_items.id"], name=op.f("fk_stock_count_lines_item_id_stock_items")
        ),
        sa.ForeignKeyConstraint(["found_by_id"], ["users.id"], name=op.f("fk_stock_count_lines_found_by_id_users")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stock_count_lines")),
        sa.UniqueConstraint("count_id", "item_id", name=op.f("uq_stock_count_lines_count_id_item_id")),
    )
    op.create_index(op.f("ix_stock_count_lines_item_id"), "stock_count_lines", ["item_id"])


def downgrade() -> None:
    op.drop_table("stock_count_lines")
    op.drop_table("stock_counts")
