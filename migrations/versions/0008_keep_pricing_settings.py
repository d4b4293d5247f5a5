"""keep what prices are decided by: the house's least margin, price rules, the bench's recorded times

Revises: 0007
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    with op.batch_alter_table("house", schema=None) as batch_op:
        batch_op.add_column(
            sa.Column("least_margin_percent", sa.String(length=16), nullable=False, server_default="20")
        )
    op.create_table(
        "price_rules",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("basis", sa.String(length=16), nullable=False),
        sa.Column("figure", sa.String(length=16), nullable=False),
        sa.Column("code", sa.String(length=80), nullable=False),
        sa.Column("category", sa.String(length=40), nullable=False),
        sa.Column("maker", sa.String(length=24), nullable=False),
        sa.Column("tier", sa.String(length=40), nullable=False),
        sa.Column("valid_from", sa.Date(), nullable=False),
        sa.Column("valid_until", sa.Date(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_price_rules")),
        sa.UniqueConstraint(
            "code", "category", "maker", "tier", "valid_from",
            name=op.f("uq_price_rules_code_category_maker_tier_valid_from"),
        ),
    )  # fmt: skip
    op.create_table(
        "bench_times",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=True),
        sa.Column("task", sa.String(length=16), nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("cylinder", sa.String(length=16), nullable=False),
        sa.Column("pieces", sa.Integer(), nullable=False),
        sa.Column("minutes", sa.String(length=16), nullable=False),
        sa.Column("finished", sa.Date(), nullable=False),
        sa.Column("recorded_by_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_bench_times_job_id_jobs")),
        sa.ForeignKeyConstraint(["recorded_by_id"], ["users.id"], name=op.f("fk_bench_times_recorded_by_id_users")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bench_times")),
    )
    with op.batch_alter_table("bench_times", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_bench_times_job_id"), ["job_id"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("bench_times", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_bench_times_job_id"))
    op.drop_table("bench_times")
    op.drop_table("price_rules")
    with op.batch_alter_table("house", schema=None) as batch_op:
        batch_op.drop_column("least_margin_percent")
