"""let list prices and costs wait for the day from which a maker's list holds, and mark what it names no longer

Revises: 0039
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0040"
down_revision = "0039"


def upgrade() -> None:
    op.add_column("items", sa.Column("unlisted_from", sa.Date(), nullable=True))
    op.create_table(
        "item_prices",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=False),
        sa.Column("valid_from", sa.Date(), nullable=False),
        sa.Column("list_cents", sa.Integer(), nullable=False),
        sa.Column("cost_cents", sa.Integer(), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["import_id"], ["imports.id"], name=op.f("fk_item_prices_import_id_imports")),
        sa.ForeignKeyConstraint(["item_id"], ["items.id"], name=op.f("fk_item_prices_item_id_items")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_item_prices")),
        sa.UniqueConstraint("item_id", "valid_from", name=op.f("uq_item_prices_item_id_valid_from")),
    )
    op.create_index(op.f("ix_item_prices_valid_from"), "item_prices", ["valid_from"])
    op.create_index(op.f("ix_item_prices_import_id"), "item_prices", ["import_id"])


def downgrade() -> None:
    op.drop_table("item_prices")
    op.drop_column("items", "unlisted_from")
