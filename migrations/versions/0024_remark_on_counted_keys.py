"""remark on counted keys: where each went while the count went on

Revises: 0023
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0024"
down_revision = "0023"


def upgrade() -> None:
    op.add_column("key_count_lines", sa.Column("remark", sa.String(length=200), nullable=False, server_default=""))


def downgrade() -> None:
    with op.batch_alter_table("key_count_lines") as batch:
        batch.drop_column("remark")
