"""keep notes and files of a job

Revises: 0004
"""

from __future__ import annotations

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    pass


def downgrade() -> None:
    pass
