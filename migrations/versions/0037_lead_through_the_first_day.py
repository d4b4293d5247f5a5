"""lead through the first day: which of its steps were taken as proposed

Revises: 0036
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0037"
down_revision = "0036"


def upgrade() -> None:
    op.add_column("house", sa.Column("first_day", sa.JSON(none_as_null=True), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("house") as house:
        house.drop_column("first_day")
