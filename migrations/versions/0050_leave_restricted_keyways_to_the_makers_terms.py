"""leave it to the makers' factory terms which keyways are restricted: what stood with the keyway, nobody ever set

Revises: 0049
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0050"
down_revision = "0049"


def upgrade() -> None:
    op.drop_column("keyways", "is_restricted")


def downgrade() -> None:
    op.add_column("keyways", sa.Column("is_restricted", sa.Boolean(), nullable=False, server_default=sa.false()))
