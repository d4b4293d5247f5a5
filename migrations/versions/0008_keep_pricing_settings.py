"""keep what prices are decided by

Revises: 0007
"""

from __future__ import annotations

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    pass


def downgrade() -> None:
    pass
