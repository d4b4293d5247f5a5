"""import tables: which came in, what they changed, and how each sender's columns are read

Revises: 0033
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0034"
down_revision = "0033"


def upgrade() -> None:
    op.create_table(
        "imports",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=24), nullable=False),
        sa.Column("file_name", sa.String(length=120), nullable=False),
        sa.Column("sender", sa.String(length=120), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("made_by_id", sa.Integer(), nullable=True),
        *(sa.Column(name, sa.Integer(), nullable=False) for name in ("new", "changed", "unchanged", "aside")),
        sa.Column("written", sa.JSON(), nullable=False),
        sa.Column("undone_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("undone_by_id", sa.Integer(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["made_by_id"], ["users.id"], name=op.f("fk_imports_made_by_id_users")),
        sa.ForeignKeyConstraint(["undone_by_id"], ["users.id"], name=op.f("fk_imports_undone_by_id_users")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_imports")),
    )
    op.create_table(
        "import_mappings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=24), nullable=False),
        sa.Column("sender", sa.String(length=120), nullable=False),
        sa.Column("headings", sa.JSON(), nullable=False),
        sa.Column("words", sa.JSON(), nullable=False),
        sa.Column("day_order", sa.String(length=12), nullable=False),
        sa.Column("used_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_import_mappings")),
        sa.UniqueConstraint("kind", "sender", name=op.f("uq_import_mappings_kind_sender")),
    )


def downgrade() -> None:
    op.drop_table("import_mappings")
    op.drop_table("imports")
