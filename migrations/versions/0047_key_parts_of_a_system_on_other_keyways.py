"""let a keyset, and what hangs under it, stand on another keyway of the family than its system

Revises: 0046
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0047"
down_revision = "0046"


def upgrade() -> None:
    op.add_column("keysets", sa.Column("keyway", sa.String(length=24), server_default="", nullable=False))
    op.create_index(op.f("ix_keysets_keyway"), "keysets", ["keyway"])


def downgrade() -> None:
    op.drop_index(op.f("ix_keysets_keyway"), "keysets")
    op.drop_column("keysets", "keyway")
