"""ask about low prices: how far under the book a price may be before the counter is asked

Revises: 0014
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"


def upgrade() -> None:
    with op.batch_alter_table("quote_rules") as batch:
        batch.add_column(sa.Column("most_off_percent", sa.String(length=16), nullable=False, server_default="20"))


def downgrade() -> None:
    with op.batch_alter_table("quote_rules") as batch:
        batch.drop_column("most_off_percent")
