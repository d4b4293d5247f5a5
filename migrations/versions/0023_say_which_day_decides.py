"""say which day decides a quote's sales tax and its prices

Revises: 0022
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0023"
down_revision = "0022"


def upgrade() -> None:
    op.create_table(
        "deciding_days",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("valid_from", sa.Date(), nullable=False),
        sa.Column("tax_of_hand_over", sa.Boolean(), nullable=False),
        sa.Column("prices_of_hand_over", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_deciding_days")),
        sa.UniqueConstraint("valid_from", name=op.f("uq_deciding_days_valid_from")),
    )


def downgrade() -> None:
    op.drop_table("deciding_days")
