"""index what is searched

Revises: 0005
"""

from __future__ import annotations

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    pass


def downgrade() -> None:
    pass
