"""picture what is chosen by eye: keyways, cams, key blanks and locks of a maker

Revises: 0037
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0038"
down_revision = "0037"

_TOPICS = ("cam", "lock", "keyway", "key blank", "bitting spec", "part number")


def upgrade() -> None:
    op.create_table(
        "maker_pictures",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("maker_id", sa.Integer(), nullable=False),
        sa.Column(
            "topic",
            sa.Enum(*_TOPICS, name="picturetopic", native_enum=False, create_constraint=True, length=24),
            nullable=False,
        ),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("jpeg", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["maker_id"], ["makers.id"], name=op.f("fk_maker_pictures_maker_id_makers")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_maker_pictures")),
        sa.UniqueConstraint("maker_id", "topic", "name", name=op.f("uq_maker_pictures_maker_id_topic_name")),
    )


def downgrade() -> None:
    op.drop_table("maker_pictures")
