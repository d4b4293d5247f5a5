"""keep what a door's record needs

Revises: 0009
"""

from __future__ import annotations

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    pass


def downgrade() -> None:
    pass
