"""keep pins in stock: how many of each kind and size lie on the bench's shelf

Revises: 0003
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    op.create_table(
        "pin_stock",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("spec_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["spec_id"], ["bitting_specs.id"], name=op.f("fk_pin_stock_spec_id_bitting_specs")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pin_stock")),
        sa.UniqueConstraint("spec_id", "kind", "size", name=op.f("uq_pin_stock_spec_id_kind_size")),
    )
    with op.batch_alter_table("pin_stock", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_pin_stock_spec_id"), ["spec_id"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("pin_stock", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_pin_stock_spec_id"))
    op.drop_table("pin_stock")
