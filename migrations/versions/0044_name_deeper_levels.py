"""name the levels of systems of five to seven, and the selective master

Revises: 0043
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0044"
down_revision = "0043"

_NEW = (
    "great great great great grand master",
    "great great great grand master",
    "great great grand master",
    "selective master",
)
_OLD = (
    *("great grand master", "grand master", "master", "change", "single keyed", "control"),
    *("construction", "construction control"),
)


def upgrade() -> None:
    _take((*_NEW[:3], *_OLD[:3], _NEW[3], *_OLD[3:]), 40)


def downgrade() -> None:
    # The release before knows no higher level than a great grand, and of a selective master nothing.
    keysets = sa.table("keysets", sa.column("level", sa.String))
    for level in _NEW:
        known = _OLD[2] if level == _NEW[3] else _OLD[0]
        op.execute(sa.update(keysets).where(keysets.c.level == level).values(level=known))
    _take(_OLD, 24)


def _take(levels: tuple[str, ...], length: int) -> None:
    """Let a keyset's level be one of these words."""
    with op.batch_alter_table("keysets") as batch:
        batch.drop_constraint(op.f("ck_keysets_level"), type_="check")
        batch.alter_column("level", type_=sa.String(length), existing_nullable=False)
        batch.create_check_constraint(op.f("ck_keysets_level"), sa.column("level").in_(levels))
