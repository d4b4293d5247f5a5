"""keep a register of the blind codes that were given, so that none is given twice

Revises: 0041
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0042"
down_revision = "0041"


def upgrade() -> None:
    op.create_table(
        "blind_codes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=24), nullable=False),
        sa.Column("keyset_id", sa.Integer(), nullable=False),
        sa.Column("prefix", sa.String(length=8), nullable=False),
        sa.Column("number", sa.Integer(), nullable=True),
        sa.Column("given_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["keyset_id"], ["keysets.id"], name=op.f("fk_blind_codes_keyset_id_keysets")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_blind_codes")),
        sa.UniqueConstraint("code", name=op.f("uq_blind_codes_code")),
    )
    op.create_index(op.f("ix_blind_codes_keyset_id"), "blind_codes", ["keyset_id"])
    op.create_index(op.f("ix_blind_codes_number"), "blind_codes", ["number"])
    op.execute(
        "INSERT INTO blind_codes (code, keyset_id, prefix) SELECT blind_code, min(id), '' FROM keysets "
        "WHERE blind_code <> '' GROUP BY blind_code ORDER BY min(id)"
    )


def downgrade() -> None:
    op.drop_table("blind_codes")
