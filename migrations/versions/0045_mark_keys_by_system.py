"""mark keys by system: where a system's symbols stand on its keys and cylinders

Revises: 0044
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0045"
down_revision = "0044"

_WORDS = ("visual", "concealed", "none")
_COLUMNS = {"mark_keys": "visual", "mark_cylinders": "concealed"}


def upgrade() -> None:
    with op.batch_alter_table("key_systems") as systems:
        for column, usual in _COLUMNS.items():
            marked = sa.Enum(*_WORDS, name=f"system_{column}", native_enum=False, create_constraint=True, length=24)
            systems.add_column(sa.Column(column, marked, nullable=False, server_default=usual))


def downgrade() -> None:
    with op.batch_alter_table("key_systems") as systems:
        for column in _COLUMNS:
            systems.drop_constraint(op.f(f"ck_key_systems_system_{column}"), type_="check")
            systems.drop_column(column)
