"""record warranties: cylinders that came back, each with the job that it opened

Revises: 0024
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0025"
down_revision = "0024"


def upgrade() -> None:
    op.create_table(
        "warranties",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("cylinder_id", sa.Integer(), nullable=False),
        sa.Column("reason", sa.String(length=300), nullable=False),
        sa.Column(
            "borne_by",
            sa.Enum("house", "maker", name="borneby", native_enum=False, create_constraint=True, length=24),
            nullable=False,
        ),
        sa.Column("claim", sa.String(length=300), nullable=False),
        sa.Column("goes_back", sa.Boolean(), nullable=False),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_warranties_job_id_jobs")),
        sa.ForeignKeyConstraint(["cylinder_id"], ["cylinders.id"], name=op.f("fk_warranties_cylinder_id_cylinders")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_warranties")),
        sa.UniqueConstraint("job_id", name=op.f("uq_warranties_job_id")),
    )
    op.create_index(op.f("ix_warranties_cylinder_id"), "warranties", ["cylinder_id"])


def downgrade() -> None:
    op.drop_table("warranties")
