"""ask for a second check: a house may want its cylinders checked by somebody else than who pinned them

Revises: 0002
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    with op.batch_alter_table("house") as house:
        house.add_column(sa.Column("second_check", sa.Boolean(), nullable=False, server_default=sa.false()))
    # New rows get their value from the model, so the old rows' default goes again.
    with op.batch_alter_table("house") as house:
        house.alter_column("second_check", server_default=None)


def downgrade() -> None:
    with op.batch_alter_table("house") as house:
        house.drop_column("second_check")
