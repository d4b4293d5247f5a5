"""say how urgent a job is: in its turn, rush work, or one that the customer waits for

Jobs on record are done in their turn.

Revises: 0013
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"


def upgrade() -> None:
    with op.batch_alter_table("jobs", schema=None) as batch_op:
        batch_op.add_column(sa.Column("urgency", sa.String(length=12), nullable=False, server_default="in turn"))


def downgrade() -> None:
    with op.batch_alter_table("jobs", schema=None) as batch_op:
        batch_op.drop_column("urgency")
