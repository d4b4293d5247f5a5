"""keep sessions and screen locks

Revises: 0008
"""

from __future__ import annotations

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    pass


def downgrade() -> None:
    pass
