"""keep changes in reserve for a floor, a building or a department

Revises: 0045
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0046"
down_revision = "0045"

_ANY_DOOR = "later doors"


def upgrade() -> None:
    op.add_column("keysets", sa.Column("reserved_for", sa.String(length=60), nullable=False, server_default=""))
    op.execute(f"UPDATE keysets SET reserved_for = '{_ANY_DOOR}', purpose = '' WHERE purpose = 'reserve'")


def downgrade() -> None:
    # The release before knows one reserve, told by its purpose; what a door has taken is none any more.
    free = "id NOT IN (SELECT keyset_id FROM cylinders WHERE keyset_id IS NOT NULL)"
    op.execute(f"UPDATE keysets SET purpose = 'reserve' WHERE reserved_for <> '' AND {free}")
    with op.batch_alter_table("keysets") as batch:
        batch.drop_column("reserved_for")
