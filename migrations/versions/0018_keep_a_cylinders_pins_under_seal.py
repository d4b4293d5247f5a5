"""keep what a cylinder was pinned to under seal

Revises: 0017
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"


def upgrade() -> None:
    with op.batch_alter_table("cylinders") as cylinders:
        cylinders.add_column(sa.Column("sealed_pins", sa.LargeBinary(), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("cylinders") as cylinders:
        cylinders.drop_column("sealed_pins")
