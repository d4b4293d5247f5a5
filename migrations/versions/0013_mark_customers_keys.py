"""mark the keysets of keys that customers brought, which the bench decodes

Revises: 0012
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"


def upgrade() -> None:
    with op.batch_alter_table("keysets") as keysets:
        keysets.add_column(sa.Column("is_customers_key", sa.Boolean(), nullable=False, server_default=sa.false()))
    # New rows get their value from the model, so the old rows' default goes again.
    with op.batch_alter_table("keysets") as keysets:
        keysets.alter_column("is_customers_key", server_default=None)


def downgrade() -> None:
    with op.batch_alter_table("keysets") as keysets:
        keysets.drop_column("is_customers_key")
